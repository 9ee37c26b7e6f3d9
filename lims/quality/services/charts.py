"""Control charts: what is watched, first phases fixed by signature, signals answered by a person."""

from __future__ import annotations

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.selectors import standing_holds
from lims.cases.services import place_hold
from lims.core.codes import next_code, parse_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.quality import bridge
from lims.quality.control import breaches, points_of
from lims.quality.models import ControlChart, ControlPhase, ControlSignal
from lims.rigs.models import Rig
from lims.runs.selectors.reference import charted_by
from lims.signatures.models import Meaning
from lims.signatures.services import sign
from lims.specifications.selectors import label_of


def subject_of(code: str) -> tuple[str, str]:
    """What a chart watches, as (kind, code); Invalid for anything but a rig, a material or a formulation."""
    kind, plain = parse_code(code)
    if kind.name not in ControlChart.Subject.values:
        raise Invalid(f"{plain} is {kind.article} {kind.name}; a rig, a material or a formulation is expected here.")
    return kind.name, plain


@act("chart.create")
def create_chart(
    *, actor: User, subject: tuple[str, str], quantity: str, rules: str = "zones", anchor: tuple[str, str] = ("", "")
) -> ControlChart:
    """Watch a quantity of a subject (kind, code). `anchor`: sample and method of a rig's chart."""
    label_of(quantity)
    if rules not in bridge.RULES:
        raise Invalid(f"There is no rule set '{rules}'.", fields={"rules": [f"One of: {', '.join(bridge.RULES)}."]})
    if subject[0] == ControlChart.Subject.RIG and not all(anchor):
        raise Invalid(
            "A rig is watched by a reference sample and a method.",
            fields={"sample": ["Name the reference sample."], "method": ["Name the method."]},
        )
    chart = ControlChart(
        code=next_code("control chart"),
        subject_kind=subject[0],
        subject_code=subject[1],
        quantity=quantity,
        rules=rules,
        sample_code=anchor[0],
        method_code=anchor[1],
    )
    chart.save()
    return chart


@act("chart.fix_phase")
def fix_phase(chart: ControlChart, *, actor: User, password: str, first: int, last: int, reason: str) -> ControlChart:
    """Fix the limits by signature from points `first` to `last` (from 1); a later phase takes its place."""
    fresh = locked(chart)
    if not reason.strip():
        raise Invalid("Say why these points.", fields={"reason": ["This is needed."]})
    points = points_of(fresh)[first - 1 : last]
    level, sigma = bridge.phase_from([point.value for point in points])
    content = {"code": fresh.code, "level": level, "sigma": sigma, "points": [point.code for point in points]}
    signature = sign(
        actor=actor,
        password=password,
        meaning=Meaning.APPROVED,
        subject=("control chart", fresh.code),
        content=content | {"reason": reason.strip()},
    )
    ControlPhase.objects.create(
        chart=fresh, level=level, sigma=sigma, points=content["points"], reason=reason.strip(), signature=signature
    )
    note_change(fresh, {"phase": (None, f"points {first} to {last}")})
    watch(fresh, actor=None)
    return fresh


@act("chart.watch")
def watch(chart: ControlChart, *, actor: User | None) -> ControlChart:
    """Keep every new breach as a signal. A rig goes on hold with its first one, until it is answered."""
    fresh = locked(chart)
    known = set(fresh.signals.values_list("point", "rule"))
    new = [(point, rule) for point, rule in breaches(fresh) if (point.code, rule) not in known]
    for point, rule in new:
        ControlSignal(chart=fresh, point=point.code, rule=rule, value=point.value).save()
    if new and fresh.subject_kind == ControlChart.Subject.RIG:
        _hold_rig(fresh, new[0][0].code, new[0][1])
    return fresh


def _hold_rig(chart: ControlChart, point: str, rule: str) -> None:
    rig = Rig.objects.filter(code=chart.subject_code).first()
    if rig is not None and not standing_holds("rig", rig.code).exists():
        place_hold(rig, actor=None, reason=f"{chart.code}: {point} breaks a rule ({rule})")


@act("chart.answer")
def answer_signal(signal: ControlSignal, *, actor: User, answer: str) -> ControlSignal:
    """Answer a signal: what was the matter, what was done. The rig's hold is then lifted by quality."""
    fresh = locked(signal)
    if fresh.answered_at is not None:
        raise Conflict("This signal is answered already.", code="signal-answered")
    if not answer.strip():
        raise Invalid("Say what was the matter.", fields={"answer": ["This is needed."]})
    fresh.answer, fresh.answered_by, fresh.answered_at = answer.strip(), actor, timezone.now()
    fresh.save()
    return fresh


def watch_reduced(reduction: int) -> None:
    """Look at the charts a new result stands on; called by the worker when a reduction is done."""
    found = charted_by(reduction)
    if found is not None:
        sample, rig, method = found
        rows = ControlChart.objects.filter(subject_kind="rig", subject_code=rig, sample_code=sample, method_code=method)
        for chart in rows:
            watch(chart, actor=None)


def watch_material(material: str) -> None:
    """Look at the charts of a material's properties, after a result was entered."""
    for chart in ControlChart.objects.filter(subject_kind="material", subject_code=material):
        watch(chart, actor=None)
