"""Build the demonstration laboratory by calling the services, in the order the trade goes."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from random import Random

from django.utils import timezone

from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.accounts.services import create_account, grant_role
from lims.demo.clock import clock_at
from lims.demo.scenario import (
    COARSE,
    EQUIPMENT,
    FILLERS,
    FORMULATIONS,
    HANDBOOK,
    MATERIALS,
    PEOPLE,
    SUPPLIERS,
    WEEKS,
    FormulationPlan,
    MaterialPlan,
)
from lims.formulations.models import Batch, FormulationVersion, Weighing
from lims.formulations.selectors import sheet_of
from lims.formulations.services import (
    LineSpec,
    StepSpec,
    add_equipment,
    approve_version,
    check_weighing,
    close_weighing,
    create_formulation,
    do_step,
    finish_batch,
    note_calibration,
    plan_batch,
    start_batch_test,
    submit_version,
    weigh,
)
from lims.materials.models import Lot, Material, Supplier
from lims.materials.services import (
    add_lot_property,
    approve_supplier,
    create_material,
    create_supplier,
    receive_lot,
    start_lot_test,
)
from lims.quality.services import record_lot_result, release_lot

GRAM = Decimal("0.001")
BALANCE, MIXER = "BAL-01", "MIX-01"


@dataclass
class Laboratory:
    """What has been built so far, and the passwords of those who work there."""

    random: Random
    people: dict[str, User] = field(default_factory=dict)
    passwords: dict[str, str] = field(default_factory=dict)
    suppliers: dict[str, Supplier] = field(default_factory=dict)
    materials: dict[str, Material] = field(default_factory=dict)
    lots: dict[str, list[Lot]] = field(default_factory=dict)
    versions: dict[str, FormulationVersion] = field(default_factory=dict)
    batches: dict[str, list[Batch]] = field(default_factory=dict)
    begin: datetime = field(default_factory=lambda: _monday(timezone.now() - timedelta(weeks=WEEKS)))
    today: date = field(default_factory=timezone.localdate)  # the day on which the laboratory is built

    def day(self, number: float, hour: float = 9.0) -> datetime:
        """A moment of the story: `number` working days after its beginning, at an hour of the day."""
        weeks, rest = divmod(int(number), 5)
        return self.begin + timedelta(days=7 * weeks + rest, hours=hour)


def _monday(moment: datetime) -> datetime:
    local = timezone.localtime(moment).replace(hour=0, minute=0, second=0, microsecond=0)
    return local - timedelta(days=local.weekday())


def add_people(lab: Laboratory, *, fixed: str = "") -> None:
    """One account for each person; passwords are made anew for each laboratory unless `fixed` is given."""
    with clock_at(lab.day(0, 7.5)):
        for username, (name, roles) in PEOPLE.items():
            password = fixed or _passphrase()
            user = create_account(actor=None, username=username, name=name, password=password)
            for role in roles:
                grant_role(user, actor=None, role=role, reason="demonstration laboratory")
            lab.people[username], lab.passwords[username] = user, password


def add_equipment_at_bench(lab: Laboratory) -> None:
    """Two balances and a mixer in calibration, and the account of the computer beside the first balance."""
    keeper = lab.people["keeper"]
    with clock_at(lab.day(0, 8)):
        lab.people["balance"] = create_account(
            actor=None, username="balance-1", name="Balance BAL-01", password=_passphrase(), is_service=True
        )
        grant_role(lab.people["balance"], actor=None, role=Role.SERVICE, reason="demonstration laboratory")
        for code, kind, name, type_, serial, resolution, location, certificate in EQUIPMENT:
            facts = {"type": type_, "serial": serial, "location": location}
            shown = Decimal(resolution) * GRAM if resolution else None
            row = add_equipment(actor=keeper, code=code, name=name, kind=kind, resolution=shown, **facts)  # type: ignore[arg-type]
            due = timezone.localdate() + timedelta(days=365)
            note_calibration(row, actor=keeper, due=due, certificate=certificate, found="within limits, not adjusted")


WORDS = (
    "fennel",
    "harbour",
    "copper",
    "meadow",
    "lantern",
    "gravel",
    "ferry",
    "willow",
    "kettle",
    "mortar",
    "birch",
    "tram",
)


def _passphrase() -> str:
    return "-".join((*(secrets.choice(WORDS) for _ in range(3)), str(secrets.randbelow(90) + 10)))


def add_materials(lab: Laboratory) -> None:
    """Suppliers and materials."""
    with clock_at(lab.day(0, 9)):
        for name, approved in SUPPLIERS.items():
            supplier = create_supplier(actor=lab.people["chemist"], name=name)
            if approved:
                again = timezone.localdate() + timedelta(days=365)
                supplier = approve_supplier(
                    supplier, actor=lab.people["quality"], reason="audit of last year", evaluate_again_on=again
                )
            lab.suppliers[name] = supplier
        for plan in MATERIALS:
            lab.materials[plan.name] = _material(lab, plan)


def add_lots(lab: Laboratory) -> None:
    """Lots with the supplier's and our own results, and quality's release of most of them."""
    for number, plan in enumerate(MATERIALS):
        lab.lots[plan.name] = [_lot(lab, plan, nth, day=1 + nth * 8 + number % 3) for nth in range(_lots_of(plan))]
    with clock_at(lab.day(40, 11)):
        plan = next(p for p in MATERIALS if p.name.startswith("boron"))
        lab.lots[plan.name].append(receive(lab, plan, nth=9, supplier="Holm Trading"))


def _lots_of(plan: MaterialPlan) -> int:
    return 3 if plan.kind == "filler" else 2


def _material(lab: Laboratory, plan: MaterialPlan) -> Material:
    return create_material(
        actor=lab.people["chemist"],
        name=plan.name,
        kind=plan.kind,
        density=plan.density,
        density_u=plan.density * 0.005,
        conductivity=plan.conductivity,
        conductivity_source=HANDBOOK if plan.conductivity else "",
        shape=plan.shape,
        hazards=[{"code": code, "text": text} for code, text in plan.hazards],
        hazards_source="supplier's safety data sheet, invented" if plan.hazards else "",
    )


def receive(lab: Laboratory, plan: MaterialPlan, *, nth: int, supplier: str) -> Lot:
    """A lot as the goods-in desk takes it in."""
    today = timezone.localdate()
    return receive_lot(
        actor=lab.people["chemist2" if nth % 2 else "chemist"],
        material=lab.materials[plan.name],
        supplier=lab.suppliers[supplier],
        supplier_lot=f"{plan.name[:2].upper()}{today:%y%j}-{nth + 1}",
        mass=Decimal("5") if plan.kind in ("filler", "carrier") else Decimal("1"),
        received_on=today,
        containers=2 if plan.kind == "filler" else 1,
        storage="dry, 15 to 25 °C, closed",
        location=f"store A, shelf {1 + len(plan.name) % 6}",
        expires_on=today + timedelta(days=540),
    )


def _lot(lab: Laboratory, plan: MaterialPlan, nth: int, *, day: int) -> Lot:
    """One lot: received, measured, tested, released by quality; the last of the solvent-like ones still waits."""
    with clock_at(lab.day(day, 10)):
        lot = receive(lab, plan, nth=nth, supplier=plan.supplier)
        _add_results(lab, plan, lot, coarse=(plan.name, nth + 1) == COARSE)
    if plan.name == "thickener" and nth == 1:
        return lot
    with clock_at(lab.day(day + 1, 9)):
        lot = start_lot_test(lot, actor=lab.people["quality2"])
    if plan.name == "ester fluid" and nth == 1:
        return lot
    with clock_at(lab.day(day + 1, 15)):
        release_lot(
            lot,
            actor=lab.people["quality"],
            password=lab.passwords["quality"],
            reason="supplier's certificate and our own results looked at",
        )
    lot.refresh_from_db()
    return lot


def _add_results(lab: Laboratory, plan: MaterialPlan, lot: Lot, *, coarse: bool) -> None:
    chemist = lab.people["chemist"]

    def vary(share: float) -> float:
        return 1 + lab.random.gauss(0, share)

    add_lot_property(
        lot,
        actor=chemist,
        quantity="density",
        value=plan.density / 1000 * vary(0.002),
        unit="g/cm^3",
        source="supplier",
    )
    if plan.d50 is None:
        return
    add_moisture(lot, chemist, share=Random(seed_of("moisture", lot.code)).uniform(0.3, 0.6))
    for source in ("supplier", "own"):
        for key, factor in (("d10", 0.45), ("d50", 1.0), ("d90", 2.1)):
            value = plan.d50 * factor * vary(0.02)
            _result(lot, chemist, key, value, source)
        # only our own sieve shows the coarse tail that the certificate does not mention
        top = plan.d50 * (5.4 if coarse and source == "own" else 3.3) * vary(0.02)
        _result(lot, chemist, "top_cut", top, source)


def add_moisture(lot: Lot, chemist: User, *, share: float) -> None:
    """Our own moisture of a filler, as a share of what its specification allows."""
    percent = share * FILLERS[lot.material.name][2]
    record_lot_result(
        lot,
        actor=chemist,
        quantity="moisture",
        value=round(percent, 4),
        unit="%",
        source="own",
        u=round(0.04 * percent, 5),
        method="loss on drying, 105 °C",
    )


def _result(lot: Lot, chemist: User, key: str, value: float, source: str) -> None:
    add_lot_property(
        lot,
        actor=chemist,
        quantity=key,
        value=round(value, 3),
        unit="um",
        source=source,
        u=round(0.03 * value, 4) if source == "own" else None,
        method="laser diffraction, wet" if key != "top_cut" else "sieve residue",
    )


def add_formulations(lab: Laboratory) -> None:
    """Formulations approved by quality, and one that is still a draft."""
    for number, plan in enumerate(FORMULATIONS):
        author = lab.people["chemist2" if number % 2 else "chemist"]
        with clock_at(lab.day(3 + number // 2, 11)):
            made = create_formulation(
                actor=author,
                name=plan.name,
                purpose=plan.purpose,
                lines=lines_of(lab, plan.lines),
                steps=steps_of(plan),
            )
            version = submit_version(made.versions.get(), actor=author)
        with clock_at(lab.day(4 + number // 2, 14)):
            lab.versions[plan.name] = approve_version(
                version, actor=lab.people["quality"], password=lab.passwords["quality"]
            )
    with clock_at(lab.day(44, 10)):
        create_formulation(
            actor=lab.people["chemist"],
            name="Fine zinc oxide paste, low volatile",
            purpose="less loss on the ferry inverter's long runs",
            lines=lines_of(lab, FORMULATIONS[0].lines),
            steps=steps_of(FORMULATIONS[0]),
        )


def lines_of(lab: Laboratory, lines: Sequence[tuple[str, str]]) -> list[LineSpec]:
    """Lines of a recipe from names and percent by mass."""
    return [LineSpec(lab.materials[name], Decimal(percent) / 100) for name, percent in lines]


def steps_of(plan: FormulationPlan) -> list[StepSpec]:
    """The steps of a plan as the service takes them, in SI."""
    return [
        StepSpec(words, speed=speed / 60, duration=minutes * 60, pressure=None if mbar is None else mbar * 100)
        for words, speed, minutes, mbar in plan.steps
    ]


def add_batches(lab: Laboratory) -> None:
    """Batches of every formulation, weighed and processed; the last one of the first has the coarse lot in it."""
    add_equipment_at_bench(lab)
    for number, plan in enumerate(FORMULATIONS):
        lab.batches[plan.name] = [
            _batch(lab, plan, nth, day=6 + number // 2 + 9 * nth, number=number) for nth in range(plan.batches)
        ]
    with clock_at(lab.day(48, 8.5)):
        open_batch = plan_batch(
            lab.versions["Aluminium nitride paste"], actor=lab.people["chemist"], target_mass=Decimal("0.25")
        )
        _weigh_lines(lab, open_batch, nth=1, lines=2)


def _batch(lab: Laboratory, plan: FormulationPlan, nth: int, *, day: int, number: int) -> Batch:
    chemist, second = ("chemist", "chemist2") if number % 2 == 0 else ("chemist2", "chemist")
    with clock_at(lab.day(day, 9)):
        batch = plan_batch(lab.versions[plan.name], actor=lab.people[chemist], target_mass=Decimal("0.25"))
    with clock_at(lab.day(day, 10)):
        _weigh_lines(lab, batch, nth=nth, chemist=chemist, second=second)
        close_weighing(batch, actor=lab.people[chemist])
    for position, (_, speed, minutes, mbar) in enumerate(plan.steps, start=1):
        with clock_at(lab.day(day, 10.5 + 0.5 * position)):
            pressure = None if mbar is None else mbar * 100
            do_step(
                batch,
                actor=lab.people[chemist],
                position=position,
                speed=speed / 60,
                duration=minutes * 60,
                pressure=pressure,
                equipment=MIXER,
            )
    with clock_at(lab.day(day, 13)):
        lost = Decimal(str(round(0.012 + lab.random.random() * 0.01, 4)))
        batch = finish_batch(batch, actor=lab.people[chemist], yield_mass=Decimal("0.24") * (1 - lost))
        return start_batch_test(batch, actor=lab.people["quality2"])


def _weigh_lines(
    lab: Laboratory, batch: Batch, *, nth: int, lines: int = 99, chemist: str = "chemist", second: str = "chemist2"
) -> None:
    for row in list(sheet_of(batch).lines)[:lines]:
        line = row.row
        net = (line.target + line.tolerance * Decimal(str(round(lab.random.uniform(-0.6, 0.6), 3)))).quantize(
            Decimal("0.00001")
        )
        captured = lab.random.random() < 0.8
        weighing = weigh(
            line,
            actor=lab.people["balance" if captured else chemist],
            lot=_lot_for(lab, line.material, nth),
            net=max(net, Decimal("0.00001")),
            balance=BALANCE,
            captured=captured,
            as_entered=f"{net * 1000} g",
        )
        if isinstance(weighing, Weighing) and not weighing.captured:
            check_weighing(weighing, actor=lab.people[second])


def _lot_for(lab: Laboratory, material: Material, nth: int) -> Lot:
    """The lot a batch takes: the nth released one of the material, so that the coarse lot meets the third batch."""
    usable = [lot for lot in lab.lots[material.name] if lot.state == "released"]
    return usable[min(nth, len(usable) - 1)]


def seed_of(*parts: object) -> int:
    """A seed from words, the same on every machine."""
    return int.from_bytes(hashlib.sha256("/".join(map(str, parts)).encode()).digest()[:4], "big")


def workday(moment: datetime) -> date:
    """The day of a moment where the laboratory is."""
    return timezone.localdate(moment)
