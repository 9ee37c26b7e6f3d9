"""A rig's thermocouples and its glycol: from the records to the figures of an uploaded run."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from django.utils import timezone

from analysis.sensors import SENSORS
from analysis.setup_reading import read_setup
from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.rigs import services
from lims.rigs.models import Rig
from lims.rigs.selectors import last_configuration, setup_at
from tests.factories import make_application, make_rig, somebody
from tests.runs.recordings import NAMES, make_files
from tests.runs.test_perform_reduction import reduce_all, send, sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
COUPLE = "thermocouple K"


def reconfigured(rig: Rig, *, channels: list[services.ChannelSpec] | None = None, **facts: Any) -> Rig:
    last = last_configuration(rig)
    assert last is not None
    kept = [services.ChannelSpec(c.column, c.quantity, c.sensor, c.unit, c.depth, c.pair) for c in last.channels.all()]
    named = {spec.column for spec in channels or ()}
    services.configure_rig(
        rig,
        actor=somebody(Role.RIG_KEEPER),
        blocks=services.Blocks(last.hot_block, last.cold_block),
        channels=[*(spec for spec in kept if spec.column not in named), *(channels or ())],
        reason="other sensors",
        valid_from=timezone.now() - timedelta(days=20),
        **{"loss_conductance": last.loss_conductance, "gap_expansion": last.gap_expansion} | facts,
    )
    return rig


def new_sensor(rig: Rig, serial: str, quantity: str, unit: str, u: float, **facts: Any) -> Any:
    keeper = somebody(Role.RIG_KEEPER)
    sensor = services.add_sensor(rig, actor=keeper, serial=serial, quantity=quantity, **facts)
    due = timezone.localdate() + timedelta(days=99)
    made = services.calibrate(
        sensor, actor=keeper, valid_from=timezone.now() - timedelta(days=25), due_on=due,
        unit=unit, u=u, reference="bath",
    )  # fmt: skip
    services.approve_calibration(made, actor=somebody(Role.QUALITY))
    return sensor


def rig_with_couples() -> Rig:
    rig = make_rig("bench-7")
    hot, cold = (
        new_sensor(rig, f"TC-{side}", f"{side}_temperature", "mV", 0.002, signal=COUPLE, tolerance_class="1")
        for side in ("hot", "cold")
    )
    junction = new_sensor(rig, "Pt-1", "cold_junction", "degC", 0.05)
    return reconfigured(
        rig,
        channels=[
            services.ChannelSpec("hot", "hot_temperature", hot, "mV", 0.002, cold_junction="junction"),
            services.ChannelSpec("cold", "cold_temperature", cold, "mV", 0.002, cold_junction="junction"),
            services.ChannelSpec("junction", "cold_junction", junction, "degC"),
        ],
    )


def in_millivolts(content: bytes, junction: float) -> bytes:
    """A recording whose temperatures of the blocks are the voltages of type K against a junction [degC]."""
    rows = list(csv.reader(io.StringIO(content.decode())))
    curve, out = SENSORS[COUPLE], io.StringIO()
    places = [number for number, name in enumerate(rows[0]) if name in ("hot [degC]", "cold [degC]")]
    rows[0] = [
        *(name.replace("degC", "mV") if n in places else name for n, name in enumerate(rows[0])),
        "junction [degC]",
    ]
    for row in rows[1:]:
        for place in places:
            emf = curve.signal(float(row[place]) + 273.15) - curve.signal(junction + 273.15)
            row[place] = f"{1e3 * float(emf):.7f}"
        row.append(f"{junction}")
    csv.writer(out).writerows(rows)
    return out.getvalue().encode()


def test_a_run_by_thermocouples_gives_the_figures_of_its_temperatures_and_a_zero_needs_no_junction() -> None:
    plain, _ = sent_with_zero()
    rig = rig_with_couples()
    files = make_files()
    row = next(r for r in setup_at(rig, timezone.now())["setup"]["channel"] if r["column"] == "hot")
    assert (row["sensor"], row["cold_junction"], row["tolerance_class"]) == (COUPLE, "junction", "1")
    # the zero was recorded without its thermocouples' junction
    zero = send(files.zero, "zero.csv", kind="zero", rig=rig)
    run = send(in_millivolts(files.run, 23.4), application=make_application(rig=rig))
    reduce_all()
    for one in (run, zero):
        one.refresh_from_db()
        assert one.current is not None, one.problems
        assert one.current.state == "reduced", one.current.error
    figures, expected = run.current.figures, plain.current.figures
    # without the zero's temperatures the gap takes no correction for warmth
    assert figures["gap"]["value"] == pytest.approx(expected["gap"]["value"], abs=0.5e-6)
    for key in ("temperature_rise", "thermal_impedance"):
        assert figures[key]["value"] == pytest.approx(expected[key]["value"], rel=1e-4), key
    assert figures["temperature_rise"]["u"] > expected["temperature_rise"]["u"]


def with_coolant_columns(note: str) -> bytes:
    """A run that also tells the coolant's flow and the temperature it leaves with."""
    files = make_files()
    recorded, lines = files.truth.run, files.run.decode().splitlines()
    extra = {NAMES.get(name, name): values for name, values in recorded.columns.items()}
    joined = [f"# remark: {note}", f"{lines[0]},out [degC],flow [L/min]"]
    for line, out, flow in zip(lines[1:], extra["coolant out"], extra["flow"], strict=True):
        joined.append(f"{line},{out:.6f},{flow:.6f}")
    return "\n".join(joined).encode()


def test_heat_taken_up_by_a_glycol_mixture_follows_its_density_and_heat_capacity() -> None:
    """Density times heat capacity: CoolProp's MEG (Melinder 2010) and IAPWS water, at the coolant's temperature."""
    heats, temperature = {}, 0.0
    for number, coolant in enumerate(("water", "ethylene glycol 30 %")):
        rig = make_rig(f"bench-{number + 5}")
        outlet = new_sensor(rig, f"o{number}", "coolant_out", "degC", 0.05)
        flow = new_sensor(rig, f"f{number}", "coolant_flow", "L/min", 0.01)
        channels = [
            services.ChannelSpec("out", "coolant_out", outlet, "degC"),
            services.ChannelSpec("flow", "coolant_flow", flow, "L/min"),
        ]
        reconfigured(rig, channels=channels, coolant=coolant)
        setup = setup_at(rig, timezone.now())["setup"]
        assert read_setup(setup).coolant == coolant
        assert ("coolant" in setup["rig"]) is (coolant != "water")
        run = send(with_coolant_columns(coolant), application=make_application(rig=rig))
        reduce_all()
        run.refresh_from_db()
        assert run.current is not None, run.problems
        heats[coolant] = run.current.figures["coolant_heat_flow"]["value"]
        temperature = run.current.figures["coolant_temperature"]["value"]

    def capacity(fluid: str) -> float:
        return float(np.prod([PropsSI(key, "T", temperature + 0.5, "P", 101325.0, fluid) for key in ("D", "C")]))

    ratio = capacity("INCOMP::MEG[0.3]") / capacity("Water")
    assert heats["ethylene glycol 30 %"] / heats["water"] == pytest.approx(ratio, rel=1e-3)


def test_a_coolant_or_a_sensor_that_no_setup_knows_is_refused_by_its_field() -> None:
    rig = make_rig()
    with pytest.raises(Invalid) as caught:
        reconfigured(rig, coolant="ethylene glycol 90 %")
    assert "coolant" in caught.value.fields
    keeper = somebody(Role.RIG_KEEPER)
    for facts in (
        {"quantity": "force", "signal": "Pt100"},
        {"quantity": "hot_temperature", "signal": "Pt101"},
        {"quantity": "hot_temperature", "signal": COUPLE, "tolerance_class": "A"},
    ):
        with pytest.raises(Invalid):
            services.add_sensor(rig, actor=keeper, serial="x", **facts)
    couple = services.add_sensor(rig, actor=keeper, serial="TC", quantity="hot_temperature", signal=COUPLE)
    with pytest.raises(Invalid, match="cold junction"):
        reconfigured(rig, channels=[services.ChannelSpec("hot", "hot_temperature", couple, "mV", 0.002)])
