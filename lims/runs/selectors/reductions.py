"""Read reductions: what waits, what is stuck, what stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import Invalid, NotFound
from lims.core.quantities import quantity
from lims.runs.advice import advice
from lims.runs.models import Reduction, Run
from lims.runs.states import ReductionState

SEND_AGAIN = timedelta(seconds=60)  # a message not followed by a claim for so long is taken for lost
STUCK = timedelta(minutes=10)
MOST_AT_ONCE = 500
HEAVY = ("result", "setup", "environment")


def waiting() -> QuerySet[Reduction]:
    """Reductions that nobody works on: queued, or claimed by a worker whose lease ran out."""
    return Reduction.objects.filter(
        Q(state=ReductionState.QUEUED) | Q(state=ReductionState.REDUCING, lease_until__lt=timezone.now())
    )


def to_send() -> list[int]:
    """The keys of reductions to be handed to the queue again, oldest first."""
    long_ago = timezone.now() - SEND_AGAIN
    lost = waiting().filter(Q(sent_at=None) | Q(sent_at__lt=long_ago) | Q(state=ReductionState.REDUCING))
    return list(lost.order_by("id").values_list("pk", flat=True)[:MOST_AT_ONCE])


def stuck_for(user: User) -> QuerySet[Reduction]:
    """Reductions that have waited longer than they should, for those who look after the system."""
    require(user, "laboratory.read")
    return (
        waiting()
        .filter(requested_at__lt=timezone.now() - STUCK)
        .select_related("run", "requested_by")
        .defer(*HEAVY)
        .order_by("id")
    )


def reductions_of(run: Run) -> QuerySet[Reduction]:
    """The reductions of a run, newest first, without their long parts."""
    return (
        Reduction.objects.filter(run=run)
        .select_related("requested_by")
        .prefetch_related("overrides__by")
        .defer(*HEAVY)
        .order_by("-id")
    )


def get_reduction_for(user: User, code: str) -> Reduction:
    """One reduction by its code, whole."""
    require(user, "laboratory.read")
    found = Reduction.objects.select_related("run", "requested_by").filter(code=code).first()
    if found is None:
        raise NotFound(f"There is no reduction {code}.")
    return found


def flags_of(reduction: Reduction) -> list[dict[str, Any]]:
    """The flags of a reduction as people read them: what to do, and who set which aside. Blocking ones first."""
    aside = {override.flag: override for override in reduction.overrides.all()}
    flags = []
    for flag in reduction.flags:
        override = aside.get(flag["code"])
        flags.append(
            {
                **flag,
                "figures": [label_of(key) for key in flag.get("figures", ())],
                "what_to_do": "" if override else advice(flag["code"]),
                "overridden_by": override.by.printed_name if override else "",
                "override_reason": override.reason if override else "",
            }
        )
    return sorted(flags, key=lambda flag: flag["severity"] != "blocks")


def blocking_flags(reduction: Reduction) -> list[str]:
    """The blocking flags of a reduction that nobody set aside."""
    aside = {override.flag for override in reduction.overrides.all()}
    return [f["code"] for f in reduction.flags if f["severity"] == "blocks" and f["code"] not in aside]


def label_of(key: str) -> str:
    """A figure's name in words."""
    try:
        return quantity(key).label.lower()
    except Invalid:
        return key.replace("_", " ")


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of a reduction with its budget, largest share first."""

    key: str
    label: str
    figure: dict[str, Any]
    budget: list[dict[str, Any]]

    @property
    def many_dof(self) -> bool:
        """Whether there are so many degrees of freedom that their number says nothing."""
        dof = self.figure.get("dof")
        return dof is None or dof > MANY


MANY = 1000
MAIN = ("temperature_rise", "thermal_impedance", "gap", "apparent_conductivity")


def figure_rows(reduction: Reduction) -> list[FigureRow]:
    """Every figure of a reduction, those that matter most first."""
    return figure_rows_of(reduction.result)


def figure_rows_of(result: dict[str, Any]) -> list[FigureRow]:
    """Every figure of a result object, those that matter most first."""
    figures = result.get("figures", {})
    budgets = result.get("budget", {})
    order = sorted(figures, key=lambda key: MAIN.index(key) if key in MAIN else len(MAIN))
    return [
        FigureRow(
            key,
            label_of(key),
            figures[key],
            [_with_percent(line) for line in sorted(budgets.get(key, ()), key=lambda line: -line["share"])],
        )
        for key in order
    ]


def _with_percent(line: dict[str, Any]) -> dict[str, Any]:
    return {**line, "percent": round(100 * line["share"], 1)}
