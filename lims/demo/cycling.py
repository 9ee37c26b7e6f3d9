"""One paste power-cycled on the south rig until it pumps out: what the study of cycles is there for."""

from __future__ import annotations

from datetime import timedelta

from lims.demo.building import Laboratory, seed_of
from lims.demo.clock import clock_at
from lims.demo.measuring import COOLANT, CYCLES, TestRoom, put_on, send_file
from lims.demo.simulator import ICE, Plan, simulate
from lims.demo.simulator.ageing import AgeingLayer, power_cycles
from lims.runs.services.applications import tear_down

PASTE, RIG = "Aluminium flake paste", "south"
DAY = 47.5  # the rigs are free between the afternoon and the next morning
GROWN = 0.25  # how much of its impedance the layer has gained at the end


def cycle(lab: Laboratory, room: TestRoom) -> None:
    """Zero, apply, heat on and off, upload; the layer is looked at when the rig is opened."""
    at, sample = lab.day(DAY, 18.0), room.samples[PASTE][0]
    truth = room.truths[sample.code]
    gap = truth.gap * 1e-6
    layer = AgeingLayer(
        conductivity=truth.conductivity,
        contact=truth.contact * 1e-6,
        gap_open=8 * gap,
        gap_end=gap,
        pressing_time=truth.pressing / 3.0,
        growth=GROWN,
        course="onset",
        begin=300.0,
        period=240.0,
    )
    plan = Plan(
        steps=power_cycles(layer),
        seconds=layer.begin + layer.cycles * layer.period + 10.0,
        coolant=COOLANT,
        ambient=22.5 + ICE,
        begin=at + timedelta(minutes=10),
        zero_before=timedelta(minutes=40),
        interval=2.0,
    )
    made = simulate(room.benches[RIG], layer, plan, seed=seed_of("cycles"), rig_seed=seed_of(RIG))
    operator = lab.people["operator"]
    with clock_at(at - timedelta(minutes=25)):
        send_file(operator, made.zero, rig=room.rigs[RIG])
    with clock_at(at):
        application = put_on(room, operator, sample, CYCLES, RIG, at)
    with clock_at(at + timedelta(hours=3)):
        send_file(operator, made.run, rig=room.rigs[RIG], application=application)
        room.cycled.append(application)


def open_up(lab: Laboratory, room: TestRoom) -> None:
    """After the runs: the layer has drawn back from the middle."""
    for application in room.cycled:
        with clock_at(lab.day(DAY, 21.5)):
            tear_down(application, actor=lab.people["operator"], coverage=0.91)
