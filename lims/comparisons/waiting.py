"""What waits for a person, by the rights they hold: the highest noun knows them all."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from lims.accounts.models import User
from lims.accounts.secrets import resting
from lims.cases.selectors import nonconformances
from lims.comparisons.reports import notices_for
from lims.comparisons.selectors import comparisons_for
from lims.formulations.selectors import batches_in_work, batches_to_decide, versions_to_approve
from lims.materials.selectors import lots_lapsing, lots_to_decide, suppliers_overdue
from lims.quality.control import open_signals
from lims.rigs.readiness import next_due
from lims.rigs.selectors import rigs_for
from lims.runs.selectors.applications import applications_for
from lims.runs.selectors.reductions import stuck_for
from lims.runs.selectors.rig_figures import figures_to_accept
from lims.runs.selectors.runs import runs_for
from lims.runs.states import ApplicationState, RunState
from lims.specifications.selectors import specifications_to_approve

EACH = 8
DUE_WITHIN = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class Item:
    """One record that waits: its code, what it is, and what to know before opening it."""

    code: str
    label: str
    note: str = ""
    state: str = ""


@dataclass(frozen=True, slots=True)
class Pile:
    """Records of one kind that wait for one kind of act: all of them counted, the first few shown."""

    title: str
    items: tuple[Item, ...]
    count: int
    more: str = ""  # name of the page that lists all

    @property
    def has_notes(self) -> bool:
        """Whether there is something to know of any of them."""
        return any(item.note for item in self.items)


def waiting_for(user: User) -> list[Pile]:
    """What waits for this person, most pressing first; nothing they have no right to act on."""
    piles = (pile(user) for right, pile in PILES if user.may(right))
    return [pile for pile in piles if pile.count]


def _pile(title: str, rows: QuerySet[Any], item: Callable[[Any], Item], more: str = "") -> Pile:
    return Pile(title, tuple(item(row) for row in rows[:EACH]), rows.count(), more)


def _listed(title: str, items: Iterable[Item], more: str = "") -> Pile:
    found = tuple(items)
    return Pile(title, found[:EACH], len(found), more)


def _cases(user: User) -> Pile:
    return _pile("Nonconformances to settle", nonconformances(state="standing"), _case, "nonconformances")


def _case(row: Any) -> Item:
    return Item(row.code, row.title, row.subject_code, row.state)


def _lots(user: User) -> Pile:
    return _pile("Lots to decide", lots_to_decide().select_related("material"), _lot, "lots")


def _lot(row: Any) -> Item:
    return Item(row.code, row.material.name, row.quarantine_reason, row.state)


def _batches_to_decide(user: User) -> Pile:
    return _pile("Batches to decide", batches_to_decide(), _batch, "batches")


def _batch(row: Any) -> Item:
    return Item(row.code, row.name, "exploratory" if row.exploratory else "", row.state)


def _batches_in_work(user: User) -> Pile:
    return _pile("Batches in work", batches_in_work(user), _batch, "batches")


def _versions(user: User) -> Pile:
    rows = versions_to_approve().exclude(author=user)
    return _pile(
        "Formulation versions to approve", rows, lambda row: Item(row.code, row.formulation.name, "", row.state)
    )


def _specifications(user: User) -> Pile:
    rows = specifications_to_approve().exclude(author=user)
    return _pile("Specifications to approve", rows, lambda row: Item(row.code, row.specification.name, "", row.state))


def _applications(user: User) -> Pile:
    states = (ApplicationState.PLANNED, ApplicationState.APPLIED, ApplicationState.SETTLED)
    rows = applications_for(user).filter(state__in=states).select_related("sample", "rig")
    return _pile("Applications under way", rows, _application, "applications")


def _application(row: Any) -> Item:
    return Item(row.code, f"{row.sample.code} {row.sample.name}", f"on {row.rig.name}", row.state)


def _doubtful_runs(user: User) -> Pile:
    recent = timezone.now() - timedelta(days=30)
    rows = runs_for(user).filter(state__in=(RunState.UNQUALIFIED, RunState.REFUSED), uploaded_at__gte=recent)
    return _pile("Runs that need a look", rows, _run, "runs")


def _run(row: Any) -> Item:
    problem = row.problems[0] if row.problems else ""
    return Item(row.code, row.rig.name, problem["message"] if isinstance(problem, dict) else str(problem), row.state)


def _own_runs(user: User) -> Pile:
    recent = timezone.now() - timedelta(days=14)
    rows = runs_for(user).filter(uploaded_by=user, uploaded_at__gte=recent).exclude(application=None)
    return _pile("Runs I sent", rows.select_related("application__sample"), _sent, "runs")


def _sent(row: Any) -> Item:
    return Item(row.code, row.application.sample.name, f"on {row.rig.name}, {row.uploaded_at:%Y-%m-%d}", row.state)


def _stuck(user: User) -> Pile:
    return _pile(
        "Reductions that do not go on", stuck_for(user), lambda row: Item(row.run.code, row.code, "", row.state)
    )


def _due(user: User) -> Pile:
    last = timezone.localdate() + DUE_WITHIN
    dues = ((rig, next_due(rig)) for rig in rigs_for(user))
    items = (
        Item(rig.code, rig.name, f"calibration due {due:%Y-%m-%d}", "due" if due >= timezone.localdate() else "overdue")
        for rig, due in dues
        if due is not None and due <= last
    )
    return _listed("Calibrations about to lapse", items, "rigs")


def _rig_figures(user: User) -> Pile:
    rows = figures_to_accept().exclude(proposed_by=user)
    return _pile(
        "Figures of rigs to accept",
        rows,
        lambda row: Item(row.code, row.get_kind_display(), f"of {row.rig.name}", row.state),
    )


def _signals(user: User) -> Pile:
    return _pile(
        "Signals to answer", open_signals(), lambda row: Item(row.chart.code, row.point, row.rule, "due"), "charts"
    )


def _lapsing(user: User) -> Pile:
    return _pile("Lots about to lapse", lots_lapsing(within_days=30).select_related("material"), _lot, "lots")


def _suppliers(user: User) -> Pile:
    items = (
        Item(row.supplier.code, row.supplier.name, f"for {row.words}, due {row.again_on:%Y-%m-%d}", "overdue")
        for row in suppliers_overdue()
    )
    return _listed("Suppliers to evaluate again", items, "suppliers")


def _comparisons(user: User) -> Pile:
    return _pile(
        "Comparisons", comparisons_for(user), lambda row: Item(row.code, row.title, "", row.state), "comparisons"
    )


def _reports(user: User) -> Pile:
    items = (Item(report.code, report.title, notice, "due") for report, notice in notices_for(user))
    return _listed("Reports that later data would change", items, "reports")


def _resting(user: User) -> Pile:
    items = (
        Item(each.username, each.printed_name, "too many wrong secrets for a signature", "stopped")
        for each in resting()
    )
    return _listed("Signing rests", items, "people")


# a right, and the pile of those who hold it; most pressing first
PILES: tuple[tuple[str, Callable[[User], Pile]], ...] = (
    ("role.grant", _resting),
    ("lot.release", _cases),
    ("batch.do_step", _batches_in_work),
    ("run.abort", _applications),
    ("lot.release", _lots),
    ("batch.release", _batches_to_decide),
    ("formulation.approve", _versions),
    ("specification.approve", _specifications),
    ("reduction.request", _doubtful_runs),
    ("reduction.request", _stuck),
    ("run.upload", _own_runs),
    ("rig.accept_figure", _rig_figures),
    ("chart.answer", _signals),
    ("rig.calibrate", _due),
    ("lot.adjust_stock", _lapsing),
    ("supplier.approve", _suppliers),
    ("comparison.pose", _reports),
    ("comparison.pose", _comparisons),
)
