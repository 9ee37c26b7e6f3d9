"""The test room of the demonstration laboratory: rigs, methods, samples, applications, runs, comparisons."""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

import numpy as np
from django.utils import timezone
from numpy.typing import NDArray

from lims.accounts.models import User
from lims.cases.services import open_nonconformance
from lims.comparisons.services import pose_comparison
from lims.demo.building import Laboratory, seed_of
from lims.demo.clock import clock_at
from lims.demo.files import run_file
from lims.demo.scenario import COARSE, COARSE_GAP, FORMULATIONS, OUTSIDE, Truth
from lims.demo.simulator import ICE, Bench, Layer, Plan, Recording, simulate
from lims.formulations.models import Batch
from lims.rigs.models import Block, MethodVersion, Rig
from lims.rigs.services import (
    Blocks,
    ChannelSpec,
    add_sensor,
    approve_calibration,
    approve_method_version,
    calibrate,
    configure_rig,
    create_block,
    create_method,
    create_rig,
)
from lims.rigs.services.methods import MethodFacts
from lims.runs.models import Application, Reduction, Run
from lims.runs.reducing import perform_reduction
from lims.runs.services.applications import Faces, plan_and_apply, tear_down
from lims.runs.services.runs import upload_run
from lims.runs.states import ReductionState
from lims.samples.models import Sample
from lims.samples.services import register_sample

GRAM = Decimal("0.001")
COOLANT = 40.0 + ICE
FIRST_DAY, LAST_DAY = 16, 48
CYCLES = "power cycles, 150 W on and off"
PER_DAY = 3  # applications a rig does in a day
# what goes wrong on the way, by the number of the application in the order of work
STALE, DRIFTING, DEAD, UNSTEADY = 17, 31, 44, 58


@dataclass
class TestRoom:
    """The rigs with what their owners know of them, the methods, and every application in the order of work."""

    rigs: dict[str, Rig] = field(default_factory=dict)
    benches: dict[str, Bench] = field(default_factory=dict)
    blocks: dict[str, Blocks] = field(default_factory=dict)
    methods: dict[str, MethodVersion] = field(default_factory=dict)
    truths: dict[str, Truth] = field(default_factory=dict)  # by sample code
    samples: dict[str, list[Sample]] = field(default_factory=dict)  # by formulation's or outside sample's name
    applications: list[Application] = field(default_factory=list)
    cycled: list[Application] = field(default_factory=list)


BENCHES = {
    "north": Bench(name="north", u_loss=0.01, u_block_conductivity=3.0, zero=6.3e-6, coolant_flow=2.0 / 60000.0),
    "south": Bench(
        name="south", u_loss=0.01, u_block_conductivity=3.0, zero=4.1e-6, coolant_flow=1.8 / 60000.0, hot_capacity=280.0
    ),
}
CHANNELS = (
    *((f"heater {n}", "heater_power", "W", 0.05) for n in range(1, 7)),
    ("hot", "hot_temperature", "degC", 0.03),
    ("cold", "cold_temperature", "degC", 0.03),
    ("coolant in", "coolant_in", "degC", 0.02),
    ("coolant out", "coolant_out", "degC", 0.02),
    ("flow", "coolant_flow", "L/min", 0.01),
    ("room", "ambient_temperature", "degC", 0.2),
    ("gap", "gap", "um", 0.3),
    ("force", "force", "N", 1.0),
)


def add_rigs(lab: Laboratory, room: TestRoom) -> None:
    """Two rigs with their blocks, sensors and calibrations; one calibration falls due next week."""
    for name, bench in BENCHES.items():
        with clock_at(lab.day(0, 10)):
            room.benches[name] = bench
            room.blocks[name] = Blocks(
                hot=_block(lab, name, Block.Role.HOT, bench), cold=_block(lab, name, Block.Role.COLD, bench)
            )
            room.rigs[name] = create_rig(
                actor=lab.people["keeper"],
                name=name,
                maker="built in the house",
                type="press with heated and cooled block",
                serial=f"P-{len(room.rigs) + 1}",
                location=f"test room, {name} bench",
                software="logger 3.2",
                acceptance="acceptance run of the first week, kept with the rig's papers",
                time_zone="Europe/Vienna",
            )
            _configure(lab, room, name)


def _block(lab: Laboratory, rig: str, role: Block.Role, bench: Bench) -> Block:
    return create_block(
        actor=lab.people["keeper"],
        name=f"{role.label} of {rig}",
        role=role,
        metal="copper, nickel-plated",
        finish="lapped",
        roughness=0.4e-6,
        flatness=2e-6,
        area=bench.area,
        area_u=0.5e-6,
        conductivity=bench.block_conductivity,
        conductivity_u=bench.u_block_conductivity,
    )


def _configure(lab: Laboratory, room: TestRoom, name: str) -> None:
    rig, bench, keeper = room.rigs[name], room.benches[name], lab.people["keeper"]
    specs = []
    for number, (column, quantity, unit, u) in enumerate(CHANNELS, start=1):
        sensor = add_sensor(rig, actor=keeper, serial=f"{name[0].upper()}{number:02d}", quantity=quantity)
        depth = bench.depths[0] if quantity in ("hot_temperature", "cold_temperature") else None
        specs.append(ChannelSpec(column, quantity, sensor, unit, depth))
        soon = name == "south" and column == "force"
        calibration = calibrate(
            sensor,
            actor=keeper,
            valid_from=lab.day(0, 10),
            due_on=_due(lab, soon=soon),
            unit=unit,
            u=u,
            reference="the house's reference set, calibrated outside",
            as_found="within limits",
            as_left="not changed",
            certificate_number=f"HC-{name[0].upper()}{number:03d}",
        )
        approve_calibration(calibration, actor=lab.people["quality"])
    configure_rig(
        rig,
        actor=keeper,
        blocks=room.blocks[name],
        channels=specs,
        reason="first set-up",
        valid_from=lab.day(0, 10.5),
        heat_flow=bench.heat_flow,
        loss_conductance=bench.loss,
        loss_conductance_u=bench.u_loss,
        gap_resolution=bench.resolution,
        gap_expansion=bench.expansion,
        gap_expansion_u=bench.u_expansion,
        zero_max_age=timedelta(hours=8),
        zero_max_drift=1e-6,
    )


def _due(lab: Laboratory, *, soon: bool) -> date:
    return lab.today + timedelta(days=6 if soon else 200)


def add_methods(lab: Laboratory, room: TestRoom) -> None:
    """The method for pastes and the one for pads, written by the rig keeper, approved by quality."""
    facts: MethodFacts = {
        "area": 1000e-6,
        "surface": "lapped",
        "heater_power": 150.0,
        "heater_power_tolerance": 0.01,
        "force": 250.0,
        "force_tolerance": 0.02,
        "coolant_temperature": COOLANT,
        "coolant_tolerance": 0.5,
        "repeats": 3,
    }
    texts = {
        "paste, 150 W, 250 kPa": "Zero the gap on the clean, closed blocks. Put on the paste in a cross, press, heat.",
        "pads at several thicknesses, 150 W, 250 kPa": "As for pastes, one cut sheet at a time.",
        CYCLES: "As for pastes; then heat for two minutes in every four, forty times, without opening the rig.",
    }
    for name, text in texts.items():
        with clock_at(lab.day(2, 9)):
            method = create_method(actor=lab.people["keeper"], name=name, **(facts | {"document": text}))
        with clock_at(lab.day(3, 9)):
            room.methods[name] = approve_method_version(method.versions.get(), actor=lab.people["quality"])


def add_samples(lab: Laboratory, room: TestRoom) -> None:
    """A sample of every batch, and those from outside."""
    for plan in FORMULATIONS:
        for nth, batch in enumerate(lab.batches[plan.name]):
            with clock_at((batch.made_at or timezone.now()) + timedelta(hours=1)):
                truth = _truth_of(plan.name, plan.truth, nth)
                sample = _sample(lab, batch, plan.kind, name=f"{plan.name}, batch {nth + 1}")
            room.truths[sample.code] = truth
            room.samples.setdefault(plan.name, []).append(sample)
    for outside in OUTSIDE:
        with clock_at(lab.day(5, 9)):
            sample = _sample(lab, None, outside.kind, name=outside.name, reference=outside.reference)
        room.truths[sample.code] = outside.truth
        room.samples[outside.name] = [sample]


def _truth_of(name: str, truth: Truth, nth: int) -> Truth:
    """The layer of one batch: a little different from batch to batch, much thicker with the coarse lot."""
    random = np.random.default_rng(seed_of("batch", name, nth))
    coarse = name == FORMULATIONS[0].name and nth + 1 == COARSE[1]
    factor = COARSE_GAP if coarse else 1.0
    return replace(truth, gap=truth.gap * factor * (1 + 0.01 * random.normal()))


def _sample(lab: Laboratory, batch: Batch | None, kind: str, *, name: str, reference: bool = False) -> Sample:
    return register_sample(
        actor=lab.people["chemist" if batch else "operator"],
        taken_at=timezone.now(),
        amount=Decimal("20") * GRAM,
        source=batch,
        name=name,
        material_kind=kind,
        reference=reference,
        place="middle of the pot" if batch else "as delivered",
        plan="one portion from each batch" if batch else "one container",
        container="jar, 50 ml" if kind not in ("pad", "sheet") else "flat box",
        condition="smooth, no settling" if kind not in ("pad", "sheet") else "flat, clean",
        storage="15 to 25 °C",
        location="sample store, shelf 2",
    )


def order_of_work(lab: Laboratory, room: TestRoom) -> list[tuple[Sample, str]]:
    """Which sample goes on under which method, in randomised rounds so that rigs and days do not favour anybody."""
    left: dict[str, tuple[Sample, str, int]] = {}
    for plan in FORMULATIONS:
        for sample in room.samples[plan.name]:
            left[sample.code] = (sample, "paste, 150 W, 250 kPa", plan.applications)
    for outside in OUTSIDE:
        sample = room.samples[outside.name][0]
        several = outside.kind == "pad"
        method = "pads at several thicknesses, 150 W, 250 kPa" if several else "paste, 150 W, 250 kPa"
        left[sample.code] = (sample, method, outside.applications)
    pad = room.samples["soft pad, 0.5 mm"][0]
    rounds: list[tuple[Sample, str]] = []
    for nth in range(max(count for *_, count in left.values())):
        part = [(sample, method) for sample, method, count in left.values() if nth < count]
        if nth < 2:
            part.append((pad, "paste, 150 W, 250 kPa"))
        lab.random.shuffle(part)
        rounds += part
    return rounds


def work(lab: Laboratory, room: TestRoom) -> None:
    """Every application in the order of work, on the rig that is free: zero, apply, run, upload."""
    names, waiting = list(room.rigs), order_of_work(lab, room)
    for number in range(len(waiting)):
        slot = number // 2
        day, hour = FIRST_DAY + slot * (LAST_DAY - FIRST_DAY) / 60.0, 8.5 + 2.4 * (slot % PER_DAY)
        at = lab.day(day, hour)
        sample, method = _next_at_hand(waiting, at)
        _measure(lab, room, (sample, method, names[number % 2]), at=at, number=number)


def _next_at_hand(waiting: list[tuple[Sample, str]], at: datetime) -> tuple[Sample, str]:
    """Take the first of those waiting whose sample has been taken by then."""
    return waiting.pop(next(place for place, (sample, _) in enumerate(waiting) if sample.taken_at < at))


def _measure(lab: Laboratory, room: TestRoom, what: tuple[Sample, str, str], *, at: datetime, number: int) -> None:
    sample, method, rig = what
    zero_at = at - timedelta(hours=9.5 if number == STALE else 0.5)
    plan = Plan(
        steps=((300.0, 150.0), (1320.0, 0.0)),
        seconds=1500.0,
        coolant=COOLANT,
        ambient=22.5 + ICE + lab.random.uniform(-1, 1),
        begin=at + timedelta(minutes=10),
        zero_before=at + timedelta(minutes=10) - zero_at,
        dead_heater=3 if number == DEAD else None,
        coolant_drift=_drift(number),
        interval=1.0,
    )
    made = simulate(
        room.benches[rig],
        _layer(room.truths[sample.code], number),
        plan,
        seed=seed_of("run", number),
        rig_seed=seed_of(rig),
    )
    operator = lab.people["operator" if number % 3 else "keeper"]
    with clock_at(zero_at + timedelta(minutes=4)):
        send_file(operator, made.zero, rig=room.rigs[rig])
    with clock_at(at):
        application = put_on(room, operator, sample, method, rig, at)
    room.applications.append(application)
    with clock_at(at + timedelta(minutes=40)):
        send_file(operator, made.run, rig=room.rigs[rig], application=application)


def _drift(number: int) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    if number == DRIFTING:
        return lambda t: 1.4 * np.minimum(t / 900.0, 1.0)
    if number == UNSTEADY:
        return lambda t: 0.45 * np.sin(t / 140.0)
    return np.zeros_like


def _layer(truth: Truth, number: int) -> Layer:
    """The layer of one application: applications of one sample scatter by some percent."""
    random = np.random.default_rng(seed_of("layer", number))
    gap = truth.gap * 1e-6 * (1 + 0.03 * random.normal())
    return Layer(
        conductivity=truth.conductivity,
        contact=truth.contact * 1e-6 * (1 + 0.04 * random.normal()),
        gap_open=max(8 * gap, 200e-6),
        gap_end=gap,
        pressing_time=truth.pressing / 3.0,
    )


def put_on(room: TestRoom, operator: User, sample: Sample, method: str, rig: str, at: datetime) -> Application:
    """Put a sample on a rig, as the operators of this laboratory do."""
    blocks = room.blocks[rig]
    return plan_and_apply(
        actor=operator,
        sample=sample,
        rig=room.rigs[rig],
        method_version=room.methods[method],
        faces=Faces(hot=blocks.hot, cold=blocks.cold),
        amount=Decimal("0.30") * GRAM,
        cleaning="wiped with isopropanol, dried, looked at against the light",
        pattern="cross" if sample.material_kind not in ("pad", "sheet") else "cut sheet, laid on",
        force=250.0,
        ambient_temperature=22.5 + ICE,
        applied_at=at,
    )


def send_file(operator: User, recording: Recording, *, rig: Rig, application: Application | None = None) -> Run:
    """Send a file as the rig's program would have written it; without an application it is a zero."""
    notes = {"rig": rig.name, "kind": "zero" if application is None else "run"}
    if application is not None:
        notes |= {"sample": application.sample.code, "application": application.code}
    content = run_file(recording, notes=notes)
    name = f"{recording.begin:%Y%m%d-%H%M}-{rig.name}-{notes['kind']}.csv"
    kind = Run.Kind.ZERO if application is None else ""
    return upload_run(
        actor=operator, content=io.BytesIO(content), name=name, rig=rig, application=application, kind=kind
    )


def wait_for_reductions(*, patience: float = 5.0) -> None:
    """Wait until every reduction is done; where no worker takes them, do them here."""
    at_work = Reduction.objects.filter(state__in=(ReductionState.QUEUED, ReductionState.REDUCING))
    left, since = at_work.count(), time.monotonic()
    while left:
        time.sleep(0.2)
        now = at_work.count()
        if now < left:
            left, since = now, time.monotonic()
        elif time.monotonic() - since > patience:
            for pk in list(at_work.values_list("pk", flat=True)):
                perform_reduction(pk)
            left, since = at_work.count(), time.monotonic()


def tear_all_down(lab: Laboratory, room: TestRoom) -> None:
    """After the runs: how much of the face was covered."""
    for number, application in enumerate(room.applications):
        with clock_at((application.applied_at or timezone.now()) + timedelta(minutes=50)):
            coverage = 0.97 + 0.03 * lab.random.random()
            tear_down(
                application, actor=lab.people["operator" if number % 3 else "keeper"], coverage=round(coverage, 3)
            )


def compare(lab: Laboratory, room: TestRoom) -> None:
    """The manager's questions, and the nonconformance that the bad batch led to."""
    method = room.methods["paste, 150 W, 250 kPa"]
    pastes = [plan.name for plan in FORMULATIONS if plan.kind == "paste"]
    first = [room.samples[name][0] for name in pastes]
    reference = room.samples["reference paste R"][0]
    with clock_at(lab.day(49, 10)):
        pose_comparison(
            actor=lab.people["manager"],
            title="Which paste runs coolest in the tram inverter?",
            question="All pastes of this year, first batches, against the reference paste.",
            method_version=method,
            samples=[*first, reference],
            reference=reference,
        )
        pose_comparison(
            actor=lab.people["manager"],
            title="Everything we have, at paste conditions",
            question="Pastes, gel, putty, alloy, pad and sheet side by side.",
            method_version=method,
            samples=[
                *(sample for plan in FORMULATIONS for sample in room.samples[plan.name]),
                *(room.samples[name][0] for name in ("reference paste R", "soft pad, 0.5 mm", "indium sheet, 0.2 mm")),
            ],
            reference=reference,
        )
        pose_comparison(
            actor=lab.people["chemist"],
            title="Fine zinc oxide paste, batch against batch",
            question="Why is the third batch so much warmer?",
            method_version=method,
            samples=room.samples[FORMULATIONS[0].name],
        )
    with clock_at(lab.day(49, 14)):
        lot = lab.lots[COARSE[0]][COARSE[1] - 1]
        open_nonconformance(
            lot,
            actor=lab.people["quality"],
            title="Top cut of our own sieve far above the certificate",
            description="The third batch of the fine zinc oxide paste has a layer twice as thick as the others.",
        )
