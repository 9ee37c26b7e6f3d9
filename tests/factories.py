"""The same people and records in every test, made by calling services."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.utils import timezone

from lims.accounts.models import Grant, User
from lims.accounts.roles import Role
from lims.cases import services as cases
from lims.cases.models import Nonconformance
from lims.cases.states import CHECKLIST
from lims.formulations import services as formulations
from lims.formulations.models import Batch, Formulation, FormulationVersion
from lims.materials import services as materials
from lims.materials.models import Lot, Material, Supplier
from lims.rigs import services as rigs
from lims.rigs.models import MethodVersion, Rig
from lims.runs.models import Application
from lims.runs.services import applications
from lims.samples.models import Sample
from lims.samples.services import register_sample
from lims.specifications import services as specifications
from lims.specifications.models import SpecificationVersion

PASSWORD = "paper-lantern-42-harbour"


def person(role: Role | None, *, username: str = "") -> User:
    """Somebody with one role, or an outsider with none."""
    name = username or (role.label.replace(" ", "-") if role else "outsider")
    user = User(username=name, first_name=name.title(), is_service=role is Role.SERVICE)
    user.set_password(PASSWORD)
    user.save()
    if role is not None:
        Grant(user=user, role=role, reason="test").save()
    return user


def everybody() -> dict[str, User]:
    """One person for each role, and an outsider."""
    return {role.name: person(role) for role in Role} | {"OUTSIDER": person(None)}


def somebody(role: Role) -> User:
    """The one person of a role, made when first asked for."""
    return User.objects.filter(grants__role=role).order_by("id").first() or person(role)


# column, quantity, unit, standard uncertainty, depth: invented, of the size common in practice
CHANNELS = (
    ("hot", "hot_temperature", "degC", 0.03, 0.002),
    ("cold", "cold_temperature", "degC", 0.03, 0.002),
    ("power", "heater_power", "W", 0.2, None),
    ("force", "force", "N", 1.0, None),
    ("gap", "gap", "um", 0.3, None),
    ("coolant", "coolant_in", "degC", 0.05, None),
)


def make_blocks(keeper: User, *, metal: str = "copper", area: float = 1e-3) -> rigs.Blocks:
    """A heater block and a cooled block."""
    common = {"metal": metal, "finish": "lapped", "area": area, "conductivity": 390.0, "conductivity_u": 4.0}
    hot = rigs.create_block(actor=keeper, name="heater block", role="hot", **common)
    cold = rigs.create_block(actor=keeper, name="cooled block", role="cold", **common)
    return rigs.Blocks(hot, cold)


def make_rig(
    name: str = "bench-2",
    *,
    start: datetime | None = None,
    due_on: date | None = None,
    blocks: rigs.Blocks | None = None,
) -> Rig:
    """A rig in service with blocks, channels and calibrations in force from `start` on."""
    keeper = somebody(Role.RIG_KEEPER)
    start = start or timezone.now() - timedelta(days=30)
    rig = rigs.create_rig(actor=keeper, name=name, location="bench 2", time_zone="Europe/Vienna")
    channels = [rigs.ChannelSpec("time", "time", unit="s")]
    for column, quantity, unit, u, depth in CHANNELS:
        sensor = rigs.add_sensor(rig, actor=keeper, serial=f"{column}-{rig.code}", quantity=quantity)
        calibration = rigs.calibrate(
            sensor,
            actor=keeper,
            valid_from=start,
            due_on=due_on or timezone.localdate(start) + timedelta(days=365),
            unit=unit,
            u=u,
            reference="reference of the calibration laboratory",
        )
        rigs.approve_calibration(calibration, actor=somebody(Role.QUALITY))
        channels.append(rigs.ChannelSpec(column, quantity, sensor=sensor, unit=unit, depth=depth))
    rigs.configure_rig(
        rig,
        actor=keeper,
        blocks=blocks or make_blocks(keeper),
        channels=channels,
        reason="first",
        valid_from=start,
        loss_conductance=0.08,
        loss_conductance_u=0.02,
        gap_expansion=6e-8,
        gap_expansion_u=1.2e-8,
    )
    return rig


def make_method_version(name: str = "steady, 250 N", **facts: Any) -> MethodVersion:
    """An approved method version, in force at once."""
    content: dict[str, Any] = {
        "area": 1e-3,
        "surface": "lapped",
        "heater_power": 150.0,
        "force": 250.0,
        "coolant_temperature": 298.15,
    }
    method = rigs.create_method(actor=somebody(Role.RIG_KEEPER), name=name, **(content | facts))
    return rigs.approve_method_version(method.versions.get(), actor=somebody(Role.QUALITY))


def make_supplier(name: str = "Harrow Minerals", *, approved: bool = True) -> Supplier:
    """A supplier, approved where not told otherwise."""
    supplier = materials.create_supplier(actor=somebody(Role.CHEMIST), name=name)
    if not approved:
        return supplier
    return materials.approve_supplier(supplier, actor=somebody(Role.QUALITY), reason="samples and an audit")


def make_material(name: str = "alumina, round, 5 um", *, kind: str = "filler", **facts: Any) -> Material:
    """A material; a density where none is told."""
    return materials.create_material(
        actor=somebody(Role.CHEMIST), name=name, kind=kind, **({"density": 3950.0} | facts)
    )


def make_lot(material: Material | None = None, *, mass: str = "25", **facts: Any) -> Lot:
    """A lot just received, in quarantine; `mass` in kg."""
    content: dict[str, Any] = {
        "supplier": Supplier.objects.first() or make_supplier(),
        "supplier_lot": "QX-2281",
        "storage": "dry, 15 to 25 °C",
        "location": "cabinet 2",
        "expires_on": timezone.localdate() + timedelta(days=365),
    }
    material = material or Material.objects.first() or make_material()
    return materials.receive_lot(
        actor=somebody(Role.CHEMIST), material=material, mass=Decimal(mass), **(content | facts)
    )


def make_sample(*, name: str = "outside paste", **facts: Any) -> Sample:
    """Twenty grams of a paste received from outside, in an operator's custody."""
    content: dict[str, Any] = {
        "taken_at": timezone.now() - timedelta(hours=1),
        "amount": Decimal("0.020"),
        "container": "syringe",
        "condition": "even, no bleed",
        "location": "cabinet 1",
    }
    return register_sample(actor=somebody(Role.OPERATOR), **(content | {"name": name} | facts))


def faces_of(rig: Rig) -> applications.Faces:
    """The blocks that a rig has on now."""
    last = rig.configurations.order_by("-number")[0]
    return applications.Faces(last.hot_block, last.cold_block)


APPLY: dict[str, Any] = {
    "amount": Decimal("0.0005"),
    "cleaning": "isopropanol, twice",
    "pattern": "one dot",
    "force": 250.0,
}


def make_application(
    *, sample: Sample | None = None, rig: Rig | None = None, version: MethodVersion | None = None, **facts: Any
) -> Application:
    """A sample put on a rig by an operator."""
    rig = rig or Rig.objects.first() or make_rig()
    version = version or MethodVersion.objects.filter(state="approved").first() or make_method_version()
    return applications.plan_and_apply(
        actor=somebody(Role.OPERATOR),
        sample=sample or make_sample(),
        rig=rig,
        method_version=version,
        faces=faces_of(rig),
        **(APPLY | facts),
    )


def release_past_the_services(lot: Lot) -> Lot:
    """A lot put into the released state at once, for tests of what comes after quality's decision."""
    Lot.objects.filter(pk=lot.pk).update(state="released")
    lot.refresh_from_db()
    return lot


def make_released_lot(material: Material | None = None, *, mass: str = "25", **facts: Any) -> Lot:
    """A lot that can be weighed."""
    return release_past_the_services(make_lot(material, mass=mass, **facts))


def make_version(name: str = "paste A", *, shares: dict[str, str] | None = None) -> FormulationVersion:
    """An approved formulation version: filler and fluid, one mixing step and one hold point under vacuum."""
    chemist, parts = somebody(Role.CHEMIST), shares or {"alumina, round, 5 um": "0.9", "silicone fluid": "0.1"}
    known = {m.name: m for m in Material.objects.all()}
    lines = [
        formulations.LineSpec(
            known.get(part) or make_material(part, kind="carrier" if "fluid" in part else "filler"), Decimal(share)
        )
        for part, share in parts.items()
    ]
    steps = [
        formulations.StepSpec("mix", speed=20.0, duration=600.0),
        formulations.StepSpec("draw the vacuum", pressure=500.0, duration=300.0, hold_point=True),
    ]
    made = formulations.create_formulation(actor=chemist, name=name, lines=lines, steps=steps)
    version = formulations.submit_version(made.versions.get(), actor=chemist)
    return formulations.approve_version(version, actor=somebody(Role.QUALITY), password=PASSWORD)


def make_batch(version: FormulationVersion | None = None, *, target_mass: str = "0.25") -> Batch:
    """A planned batch; `target_mass` in kg."""
    recipe = version or FormulationVersion.objects.filter(state="approved").first() or make_version()
    return formulations.plan_batch(recipe, actor=somebody(Role.CHEMIST), target_mass=Decimal(target_mass))


def weigh_all(batch: Batch) -> Batch:
    """Weigh every line at its target from a released lot, captured by the balance."""
    for line in batch.lines.order_by("position"):
        lot = Lot.objects.filter(material=line.material, state="released").first() or make_released_lot(line.material)
        formulations.weigh(
            line, actor=somebody(Role.SERVICE), lot=lot, net=line.target, balance="BAL-01", captured=True
        )
    batch.refresh_from_db()
    return batch


def make_made_batch(version: FormulationVersion | None = None) -> Batch:
    """A batch weighed, processed and finished."""
    chemist, batch = somebody(Role.CHEMIST), weigh_all(make_batch(version))
    batch = formulations.close_weighing(batch, actor=chemist)
    second = {"seen_by": somebody(Role.OPERATOR), "seen_password": PASSWORD}
    formulations.do_step(batch, actor=chemist, position=1, speed=20.0, duration=600.0)
    formulations.do_step(batch, actor=chemist, position=2, pressure=500.0, duration=300.0, **second)
    return formulations.finish_batch(batch, actor=chemist, yield_mass=batch.target_mass * Decimal("0.95"))


def make_specification(
    subject: Material | Formulation, *limits: specifications.LimitSpec, name: str = "", **rule: Any
) -> SpecificationVersion:
    """An approved specification in force: D50 between 4 and 6 um where no limits are given."""
    draft = specifications.create_specification(
        actor=somebody(Role.CHEMIST),
        name=name or f"limits of {subject.code}",
        limits=limits or (specifications.LimitSpec("d50", "um", lower=4.0, upper=6.0),),
        subject=subject,
        **rule,
    )
    return specifications.approve_specification(draft, actor=somebody(Role.QUALITY), password=PASSWORD)


def add_d50(lot: Lot, value: float = 5.0, *, u: float | None = 0.1) -> None:
    """Our own particle size D50 of a lot, in um, measured by the operator."""
    materials.add_lot_property(lot, actor=somebody(Role.OPERATOR), quantity="d50", value=value, unit="um", u=u)


def settle(
    case: Nonconformance, *, quality: User, cause: str = "mill", action: str = "returned", disposition: str = "reject"
) -> Nonconformance:
    """Take an open nonconformance through every phase to its closing."""
    today, owner = timezone.localdate(), somebody(Role.MANAGER)
    case = cases.start_investigation(case, actor=quality)
    for item in CHECKLIST:
        case = cases.check_item(case, actor=quality, item=item, seen="looked at", in_order=True)
    case = cases.find_no_cause(case, actor=quality, finding="nothing on the first look")
    case = cases.conclude_review(case, actor=quality, finding="all results stand", cause_kind="material", cause=cause)
    deciding = cases.Deciding(disposition, "nothing else", owner, today)
    case = cases.decide_disposition(case, actor=quality, password=PASSWORD, deciding=deciding)
    case = cases.finish_action(case, actor=owner, action=action, check_on=today)
    return cases.close_nonconformance(case, actor=quality, password=PASSWORD, effectiveness="did not come back")
