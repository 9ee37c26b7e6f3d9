"""Take rigs in, change what is known of them, take them out of service and back; configure them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.rigs import services
from lims.rigs.models import Rig
from lims.rigs.selectors import configuration_at
from lims.rigs.states import RIG_MACHINE, RigState
from tests.factories import make_blocks, make_rig, person, somebody

pytestmark = pytest.mark.django_db


def keeper() -> Any:
    return somebody(Role.RIG_KEEPER)


def test_a_changed_location_keeps_what_stood_before() -> None:
    rig = make_rig()
    services.change_rig(rig, actor=keeper(), reason="new room", location="room 12")
    entry = history_of("rig", rig.code).first()
    assert entry is not None
    assert {"field": "location", "old": "bench 2", "new": "room 12"}.items() <= entry.changes[0].items()
    assert entry.reason == "new room"


def test_a_rig_needs_a_location_and_a_known_time_zone() -> None:
    with pytest.raises(ValidationError, match="location"):
        services.create_rig(actor=keeper(), name="bench-9")
    with pytest.raises(Invalid, match="Vianna"):
        services.create_rig(actor=keeper(), name="bench-9", location="x", time_zone="Europe/Vianna")


def test_two_rigs_of_one_name_are_refused() -> None:
    make_rig()
    with pytest.raises(ValidationError, match="name"):
        services.create_rig(actor=keeper(), name="bench-2", location="x")


@pytest.mark.parametrize("field", ["area", "conductivity"])
def test_a_block_without_area_or_conductivity_is_refused(field: str) -> None:
    facts: dict[str, Any] = {"name": "b", "role": "hot", "metal": "copper", "finish": "lapped", "area": 1e-3}
    with pytest.raises(Invalid) as caught:
        services.create_block(actor=keeper(), **(facts | {"conductivity": 390.0} | {field: 0.0}))
    assert field in caught.value.fields


def test_a_sensor_measures_a_quantity_that_a_rig_records() -> None:
    with pytest.raises(Invalid, match="humidity"):
        services.add_sensor(make_rig(), actor=keeper(), serial="X", quantity="humidity")


def test_notes_of_damage_stay_as_they_were_written() -> None:
    rig = make_rig()
    services.note_rig(rig, actor=keeper(), kind="damage", text="scratch on the cooled block")
    with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
        rig.notes.update(text="none")
    with pytest.raises(Invalid, match="future"):
        services.note_rig(rig, actor=keeper(), kind="damage", text="x", on=timezone.localdate() + timedelta(days=1))


def test_the_one_who_took_a_rig_out_or_mended_it_cannot_return_it() -> None:
    rig = services.take_rig_out(make_rig(), actor=keeper(), reason="sensor loose")
    mender = person(Role.RIG_KEEPER, username="mender")
    services.note_rig(rig, actor=mender, kind="maintenance", text="sensor fixed")
    for actor in (keeper(), mender):
        with pytest.raises(NotAllowed) as caught:
            services.return_rig(rig, actor=actor, reason="fixed")
        assert caught.value.code == "own-work"
    returned = services.return_rig(rig, actor=somebody(Role.QUALITY), reason="zero and reference run in order")
    assert returned.state == "in_service"


def test_a_rig_on_hold_is_not_returned() -> None:
    rig = services.take_rig_out(make_rig(), actor=keeper(), reason="sensor loose")
    place_hold(rig, actor=keeper(), reason="drift")
    with pytest.raises(Conflict, match="drift"):
        services.return_rig(rig, actor=somebody(Role.QUALITY), reason="fixed")


@pytest.mark.parametrize("act", list(RIG_MACHINE.moves))
def test_an_act_works_from_the_states_of_its_row_and_from_no_other(act: str) -> None:
    service = {"take_out": services.take_rig_out, "return": services.return_rig}[act]
    rig = make_rig()
    for state in RigState.values:
        Rig.objects.filter(pk=rig.pk).update(state=state)
        rig.refresh_from_db()
        if state in RIG_MACHINE.moves[act].before:
            service(rig, actor=somebody(Role.QUALITY), reason="why")
            rig.refresh_from_db()
            assert rig.state == RIG_MACHINE.moves[act].after
        else:
            with pytest.raises(WrongState):
                service(rig, actor=somebody(Role.QUALITY), reason="why")


# Configurations


def configure(rig: Rig, **changes: Any) -> Any:
    last = rig.configurations.order_by("-number")[0]
    specs = [
        services.ChannelSpec(c.column, c.quantity, sensor=c.sensor, unit=c.unit, depth=c.depth)
        for c in last.channels.all()
    ]
    content: dict[str, Any] = {
        "actor": keeper(),
        "blocks": services.Blocks(last.hot_block, last.cold_block),
        "channels": specs,
        "reason": "deeper sensors",
    }
    return services.configure_rig(rig, **(content | changes))


def test_a_changed_depth_is_a_new_configuration_and_the_old_one_stays() -> None:
    rig = make_rig()
    before = timezone.now() - timedelta(days=1)
    specs = [
        services.ChannelSpec(c.column, c.quantity, sensor=c.sensor, unit=c.unit, depth=0.003 if c.depth else None)
        for c in rig.configurations.get().channels.all()
    ]
    new = configure(rig, channels=specs)
    assert new.number == 2
    assert configuration_at(rig, before).number == 1
    assert configuration_at(rig, before).channels.get(column="hot").depth == 0.002
    assert configuration_at(rig, timezone.now()).channels.get(column="hot").depth == 0.003


def test_the_database_refuses_to_edit_a_configuration_or_its_channels() -> None:
    configuration = make_rig().configurations.get()
    for rows, change in (
        (configuration.rig.configurations, {"loss_conductance": 1.0}),
        (configuration.channels, {"depth": 0.1}),
    ):
        with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
            rows.update(**change)
    with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
        configuration.channels.all().delete()


def test_blocks_that_do_not_fit_together_are_refused() -> None:
    rig = make_rig()
    good, small = make_blocks(keeper()), make_blocks(keeper(), area=5e-4)
    poor = services.create_block(
        actor=keeper(), name="steel", role="cold", metal="steel", finish="lapped", area=1e-3, conductivity=15.0
    )
    for blocks, words in (
        (services.Blocks(good.cold, good.hot), "a heater block is expected"),
        (services.Blocks(good.hot, small.cold), "different area"),
        (services.Blocks(good.hot, poor), "conduct differently"),
    ):
        with pytest.raises(Invalid, match=words):
            configure(rig, blocks=blocks)


def test_channels_that_cannot_be_are_refused() -> None:
    rig, other = make_rig(), make_rig("bench-3", blocks=make_blocks(keeper()))
    sensors = {sensor.quantity: sensor for sensor in rig.sensors.all()}
    hot = services.ChannelSpec("hot", "hot_temperature", sensor=sensors["hot_temperature"])
    cold = services.ChannelSpec("cold", "cold_temperature", sensor=sensors["cold_temperature"])
    strange = other.sensors.get(quantity="force")
    for channels, words in (
        ([hot], "cold temperature"),
        ([hot, cold, services.ChannelSpec("hot", "force", sensor=sensors["force"])], "same column"),
        ([hot, cold, services.ChannelSpec("f", "force")], "has no sensor"),
        ([hot, cold, services.ChannelSpec("f", "force", sensor=strange)], "another rig"),
        ([hot, cold, services.ChannelSpec("f", "force", sensor=sensors["gap"])], "measures gap"),
        ([hot, cold, services.ChannelSpec("f", "force", sensor=sensors["force"], unit="kg")], "force"),
        ([hot, cold, services.ChannelSpec("x", "colour")], "colour"),
        ([hot, cold, services.ChannelSpec("h2", "hot_temperature", sensor=hot.sensor)], "two columns"),
        ([hot, cold, services.ChannelSpec("f", "force", sensor=sensors["force"], depth=0.001)], "depth"),
        ([hot, cold, services.ChannelSpec("t", "time"), services.ChannelSpec("t2", "time")], "one time"),
    ):
        with pytest.raises(Invalid, match=words):
            configure(rig, channels=channels)


def test_a_configuration_begins_after_the_last() -> None:
    with pytest.raises(Invalid) as caught:
        configure(make_rig(), valid_from=timezone.now() - timedelta(days=90))
    assert caught.value.code == "configuration-before-last"
