"""Plan applications, put the material on, tear down. Putting it on again is always a new application."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked
from lims.files.models import StoredFile
from lims.rigs.authorizations import refuse_unauthorized
from lims.rigs.models import Block, MethodVersion, Rig
from lims.rigs.selectors import is_effective
from lims.rigs.states import MethodState
from lims.runs.models import Application, ApplicationPhoto, BlockPermit
from lims.runs.selectors.applications import (
    checklist_of,
    permitted,
    refuse_attack,
    refuse_block,
    refuse_rig,
    refuse_sample,
)
from lims.runs.states import APPLICATION_MACHINE, RunState
from lims.samples.models import CustodyEvent, Sample
from lims.samples.selectors import attacks, held_hours, why_not_applicable
from lims.samples.services.custody import draw
from lims.samples.services.states import start_test
from lims.samples.states import SampleState

WORTH = (RunState.ACCEPTED, RunState.UNQUALIFIED, RunState.LOCKED)


class ApplyFacts(TypedDict, total=False):
    """What is said when the material is put on, in SI."""

    cleaning: str
    pattern: str
    stop: float | None
    force: float | None
    dwell: float | None
    cure: str
    ambient_temperature: float | None
    departure: str
    remarks: str
    applied_at: datetime
    blocks_cleaned: bool
    coolant_steady: bool


@dataclass(frozen=True, slots=True)
class Faces:
    """The two blocks whose faces the material is put between."""

    hot: Block | None
    cold: Block | None


@act("application.plan")
def plan_application(
    *, actor: User, sample: Sample, rig: Rig, method_version: MethodVersion, faces: Faces, remarks: str = ""
) -> Application:
    """Plan to put a sample on a rig by a method. Refuses what could not be applied now."""
    hot, cold = _both(faces)
    application = Application(
        code=next_code("application"),
        sample=locked(sample),
        rig=locked(rig),
        method_version=method_version,
        hot_block=hot,
        cold_block=cold,
        planned_by=actor,
        remarks=remarks,
    )
    _refuse_old_method(method_version)
    _check(application)
    application.save()
    return application


def _both(faces: Faces) -> tuple[Block, Block]:
    missing = [name for name, block in (("hot_block", faces.hot), ("cold_block", faces.cold)) if block is None]
    if missing or faces.hot is None or faces.cold is None:
        words = "Scan or choose the block; both surfaces are part of the record."
        raise Invalid("A surface is missing.", code="surface-missing", fields={name: [words] for name in missing})
    return faces.hot, faces.cold


def _refuse_old_method(version: MethodVersion) -> None:
    if not is_effective(version):
        raise Conflict(
            f"{version.code} is not the version in force for new work.",
            code="method-not-effective",
            next_step="Choose the approved version in force.",
            state=version.state,
        )


def _check(application: Application, at: datetime | None = None) -> None:
    """What must hold when an application is planned, and again when the material is put on."""
    refuse_sample(application.sample)
    refuse_rig(application.rig, at)
    if application.hot_block_id == application.cold_block_id:
        raise Invalid("One block cannot be both surfaces.", fields={"cold_block": ["Give the cooled block."]})
    for block in (application.hot_block, application.cold_block):
        refuse_block(block, rig=application.rig, version=application.method_version, at=at)
        refuse_attack(application.sample, block)


@act("application.apply")
def apply_sample(application: Application, *, actor: User, amount: Decimal, **facts: Unpack[ApplyFacts]) -> Application:
    """Put the planned sample on: `amount` [kg] leaves the sample, time starts. All is checked again, rows locked."""
    fresh: Application = advance(application, APPLICATION_MACHINE, "apply")
    fresh.sample, fresh.rig = locked(fresh.sample), locked(fresh.rig)
    at = facts.setdefault("applied_at", timezone.now())
    refuse_unauthorized(actor, version=fresh.method_version, rig=fresh.rig)
    _check_facts(fresh, amount, facts)
    _check(fresh, at)
    if fresh.method_version.state != MethodState.APPROVED:
        raise Conflict(f"{fresh.method_version.code} is retired.", code="method-not-effective")
    if fresh.sample.state == SampleState.HELD:
        start_test(fresh.sample)
    draw(fresh.sample, by=actor, amount=amount, kind=CustodyEvent.Kind.USE, cause=fresh.code)
    cleaned, steady = facts.pop("blocks_cleaned", False), facts.pop("coolant_steady", False)
    fresh.checklist = checklist_of(fresh.rig, at, blocks_cleaned=cleaned, coolant_steady=steady)
    fresh.hold_hours, fresh.hold_over_hours = held_hours(fresh.sample, at)
    for name, value in facts.items():
        setattr(fresh, name, value)
    fresh.amount, fresh.applied_by = float(amount), actor
    fresh.save()
    return fresh


@act("application.apply")
def plan_and_apply(
    *,
    actor: User,
    sample: Sample,
    rig: Rig,
    method_version: MethodVersion,
    faces: Faces,
    amount: Decimal,
    **facts: Unpack[ApplyFacts],
) -> Application:
    """Plan and put on in one go, as at the bench: both or neither."""
    planned = plan_application(actor=actor, sample=sample, rig=rig, method_version=method_version, faces=faces)
    return apply_sample(planned, actor=actor, amount=amount, **facts)


def _check_facts(application: Application, amount: Decimal, facts: ApplyFacts) -> None:
    problems = _missing(amount, facts) | _odd_time(application, facts["applied_at"])
    if problems:
        raise Invalid("The application is not described in full.", fields=problems)
    reasons = [*_past_limits(application, facts), *_off_method(application, facts)]
    if reasons and not facts.get("departure", "").strip():
        raise Invalid(
            f"{application.sample.code}: {'; '.join(reasons)}.",
            code="departure-needed",
            next_step="Take another sample or set the method's force, or say why this is done all the same.",
            fields={"departure": ["A reason is expected."]},
        )


def _missing(amount: Decimal, facts: ApplyFacts) -> dict[str, list[str]]:
    problems: dict[str, list[str]] = {}
    for name, words in (("cleaning", "Say how the faces were cleaned."), ("pattern", "Say how it was put on.")):
        if not str(facts.get(name, "")).strip():
            problems[name] = [words]
    if not amount > 0:
        problems["amount"] = ["More than nothing is expected."]
    if not (facts.get("force") or 0) > 0:
        problems["force"] = ["The force is expected, above zero."]
    return problems


def _odd_time(application: Application, at: datetime) -> dict[str, list[str]]:
    if at > timezone.now():
        return {"applied_at": ["The time is in the future."]}
    if at < application.sample.taken_at:
        return {"applied_at": ["The sample was taken after that time."]}
    return {}


def _past_limits(application: Application, facts: ApplyFacts) -> list[str]:
    return why_not_applicable(application.sample, facts["applied_at"])


def _off_method(application: Application, facts: ApplyFacts) -> list[str]:
    nominal, force = application.method_version.force, facts.get("force")
    if nominal is None or force is None:
        return []
    off = abs(force - nominal) / nominal
    if off <= application.method_version.force_tolerance:
        return []
    return [f"the force is {off:.1%} off what {application.method_version.code} asks for"]


@act("application.settle")
def settle_application(application: Application, *, actor: User | None) -> Application:
    """Say that dwell or cure is done."""
    fresh: Application = advance(application, APPLICATION_MACHINE, "settle")
    fresh.save()
    return fresh


@act("application.tear_down")
def tear_down(
    application: Application,
    *,
    actor: User,
    coverage: float | None,
    photo: StoredFile | None = None,
    remarks: str = "",
) -> Application:
    """Take the joint apart and say how much of the face was covered (0 to 1); no run comes after."""
    if coverage is None or not 0 < coverage <= 1:
        raise Invalid(
            "How much of the face was covered is expected.", fields={"coverage": ["Above 0 and up to 100 %."]}
        )
    fresh: Application = advance(application, APPLICATION_MACHINE, "tear_down")
    fresh.coverage, fresh.coverage_photo = coverage, photo
    if photo is not None:
        ApplicationPhoto.objects.get_or_create(
            application=fresh, file=photo, when=ApplicationPhoto.When.AFTER, defaults={"by": actor, "words": "coverage"}
        )
    fresh.remarks = "\n".join(filter(None, (fresh.remarks, remarks.strip())))
    fresh.save()
    return fresh


@act("application.photograph")
def add_photograph(
    application: Application, *, actor: User, file: StoredFile, when: str, words: str = ""
) -> ApplicationPhoto:
    """Keep a photograph of an application: before pressing, or after tearing down."""
    if when not in ApplicationPhoto.When.values:
        words_of = ", ".join(ApplicationPhoto.When.values)
        raise Invalid(f"'{when}' is no time of a photograph.", fields={"when": [f"One of: {words_of}."]})
    if not file.media_type.startswith("image/"):
        raise Invalid(
            f"{file.name} is {file.media_type or 'of no known kind'}; a photograph is expected.",
            fields={"photo": ["Choose an image file."]},
        )
    fresh = locked(application)
    photo = ApplicationPhoto(application=fresh, file=file, when=when, words=words.strip(), by=actor)
    photo.full_clean()
    photo.save()
    note_change(photo, {"photograph": (None, f"{photo.get_when_display()}, {file.name}")})
    return photo


@act("application.void")
def void_application(application: Application, *, actor: User, reason: str) -> Application:
    """Declare an application made by mistake void; it counts as an attempt. Not once a run of it stands."""
    if not reason.strip():
        raise Invalid("Say what went wrong.", fields={"reason": ["A reason is expected."]})
    fresh: Application = advance(application, APPLICATION_MACHINE, "void")
    run = fresh.runs.filter(state__in=WORTH).first()
    if run is not None:
        raise Conflict(
            f"{fresh.code} has the run {run.code}; it cannot be void.",
            code="application-has-runs",
            next_step="Tear it down; a doubtful run is judged on its own page.",
        )
    fresh.save()
    return fresh


@act("sample.permit_block")
def permit_block(sample: Sample, *, actor: User, block: Block, reason: str) -> BlockPermit:
    """Permit a sample on a block whose metal it attacks. The person who asks for it cannot give it: quality does."""
    if not reason.strip():
        raise Invalid("Say why and how the harm is kept away.", fields={"reason": ["A reason is expected."]})
    if not attacks(sample, block.metal):
        raise Conflict(f"{sample.code} does not attack {block.metal}; no permit is needed.", code="no-permit-needed")
    if permitted(locked(sample), block):
        raise Conflict(f"{sample.code} is permitted on {block.code} already.", code="permit-stands")
    permit = BlockPermit(sample=sample, block=block, by=actor, reason=reason.strip())
    permit.full_clean()
    permit.save()
    return permit
