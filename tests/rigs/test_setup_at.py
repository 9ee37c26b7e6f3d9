"""What a rig was at a time, as a setup."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from analysis.setup_reading import from_mapping
from lims.accounts.roles import Role
from lims.core.errors import Conflict
from lims.rigs import services
from lims.rigs.selectors import method_setup, setup_at
from tests.factories import make_method_version, make_rig, somebody

pytestmark = pytest.mark.django_db


def test_it_names_the_rig_the_area_and_every_channel() -> None:
    found = setup_at(make_rig(), timezone.now())
    setup = found["setup"]
    assert setup["rig"]["name"] == "bench-2"
    assert setup["rig"]["area"] == {"value": "0.001 m^2", "u": "0.0 m^2"}
    assert [row["column"] for row in setup["channel"]] == ["time", "hot", "cold", "power", "force", "gap", "coolant"]
    assert setup["channel"][1] == {
        "column": "hot",
        "quantity": "hot_temperature",
        "unit": "degC",
        "gain": 1.0,
        "offset": 0.0,
        "u": 0.03,
        "depth": "0.002 m",
    }
    assert len(found["calibrations"]) == 6


def test_a_run_inside_an_interval_keeps_its_calibration_after_a_new_one_is_entered() -> None:
    rig = make_rig()
    during = timezone.now() - timedelta(days=2)
    before = setup_at(rig, during)
    sensor = rig.sensors.get(quantity="force")
    proposed = services.calibrate(
        sensor,
        actor=somebody(Role.RIG_KEEPER),
        valid_from=timezone.now() - timedelta(days=1),
        due_on=timezone.localdate() + timedelta(days=300),
        unit="N",
        gain=1.02,
        u=0.5,
        reference="deadweights",
    )
    # not in force before another person has approved it
    assert setup_at(rig, timezone.now())["calibrations"] == before["calibrations"]
    services.approve_calibration(proposed, actor=somebody(Role.QUALITY))
    assert setup_at(rig, during) == before
    assert setup_at(rig, timezone.now())["calibrations"] != before["calibrations"]


def test_a_time_before_the_first_configuration_is_refused() -> None:
    with pytest.raises(Conflict, match="no configuration") as caught:
        setup_at(make_rig(), timezone.now() - timedelta(days=400))
    assert caught.value.code == "configuration-missing"


def test_a_sensor_without_a_calibration_is_named() -> None:
    rig = make_rig()
    keeper = somebody(Role.RIG_KEEPER)
    last = rig.configurations.get()
    old = [
        services.ChannelSpec(c.column, c.quantity, sensor=c.sensor, unit=c.unit, depth=c.depth)
        for c in last.channels.all()
    ]
    fresh = services.add_sensor(rig, actor=keeper, serial="TC-9", quantity="ambient_temperature")
    services.configure_rig(
        rig,
        actor=keeper,
        blocks=services.Blocks(last.hot_block, last.cold_block),
        channels=[*old, services.ChannelSpec("room", "ambient_temperature", sensor=fresh)],
        reason="room sensor added",
    )
    with pytest.raises(Conflict, match="TC-9") as caught:
        setup_at(rig, timezone.now())
    assert caught.value.code == "calibration-missing"


def test_a_method_gives_nominal_values_tolerances_and_settling() -> None:
    assert method_setup(make_method_version()) == {
        "nominal": {"heater_power": "150.0 W", "force": "250.0 N", "coolant_temperature": "298.15 K"},
        "tolerance": {"heater_power": "1 %", "force": "2 %", "coolant_temperature": "0.5 K"},
        "steady": {"min_duration": "180.0 s", "max_slope": "0.0008333333333333334 K/s"},
    }


def test_the_analysis_reads_the_setup_of_a_rig_and_a_method_to_the_digit() -> None:
    mapping = setup_at(make_rig(), timezone.now())["setup"] | method_setup(make_method_version())
    setup = from_mapping(mapping)
    assert setup.area is not None
    assert (setup.name, setup.area.value, setup.heat_flow, setup.time_zone) == (
        "bench-2",
        1e-3,
        "electrical",
        "Europe/Vienna",
    )
    assert (setup.loss_conductance.value, setup.loss_conductance.u) == (0.08, 0.02)
    assert (setup.gap_expansion.value, setup.gap_expansion.u) == (6e-8, 1.2e-8)
    assert (setup.zero_max_age, setup.zero_max_drift) == (timedelta(hours=8), 1e-6)
    assert setup.nominal == {"heater_power": 150.0, "force": 250.0, "coolant_temperature": 298.15}
    assert setup.tolerance == pytest.approx({"heater_power": 1.5, "force": 5.0, "coolant_temperature": 0.5})
    assert (setup.min_duration, setup.max_slope) == (180.0, 0.05 / 60)
    hot = next(channel for channel in setup.channels if channel.quantity == "hot_temperature")
    assert (hot.unit, hot.gain, hot.offset, hot.u, hot.depth) == ("degC", 1.0, 0.0, 0.03, 0.002)
