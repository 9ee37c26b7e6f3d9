"""Weigh into a batch: the right material, a usable lot, stock that is there, a number that is meant."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any, TypedDict, Unpack

from django.db.models import Sum
from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work, require_own
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.selectors import concession_of
from lims.cases.services import open_nonconformance, refuse_if_held, take_from_concession
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import advance, locked, state_words
from lims.core.quantities import show_mass, to_microgram
from lims.formulations.models import Batch, BatchLine, SetAside, Weighing, WeighingCheck
from lims.formulations.selectors import SheetLine, sheet_of
from lims.formulations.services.correcting import Correction, accept_correction, correction_for
from lims.formulations.services.equipment import Override, require_equipment
from lims.formulations.services.planning import give_back
from lims.formulations.states import BATCH_MACHINE, BatchState
from lims.materials.models import Lot, StockMove
from lims.materials.services import move_stock, note_opening
from lims.materials.services.lots import require_usable
from lims.materials.states import LotState

# a number this many times off, within the width, is asked about: 25.00 for 250.0, grams for milligrams
SLIPS = tuple(Decimal(10) ** power for power in (1, 2, 3, -1, -2, -3))
SLIP_WIDTH = Decimal("0.05")
NEVER_WEIGHED = (LotState.REJECTED, LotState.DISPOSED, LotState.VOID)


class WeighingDetails(TypedDict, total=False):
    """What stands beside the number.

    `captured`: sent by the balance, else typed. `more`: more of this line follows. `meant`: the number was asked about
    and is meant. `device_time`: the balance's own clock; the server's rules.
    `opened_on`: when the lot was first opened. `scanned`: read off the balance by a scanner.
    `correct`: take the new targets that keep the proportions. `seen`: the last weighing of this line that the person
    had before them (0: none); another one since then is a conflict, settled by `choice`: "both" are in the vessel,
    "mine" stands, "theirs" stands.
    """

    as_entered: str
    container: str
    tare: Decimal
    captured: bool
    device_time: datetime | None
    opened_on: date | None
    reason: str
    more: bool
    meant: bool
    scanned: bool
    correct: bool
    seen: int | None
    choice: str
    override_by: User | None
    override_password: str
    override_reason: str


@act("batch.weigh")
def weigh(
    line: BatchLine, *, actor: User, lot: Lot, net: Decimal, balance: str, **details: Unpack[WeighingDetails]
) -> Weighing | SetAside:
    """Weigh `net` [kg] of `lot` into one line of a batch; outside the tolerance it needs a reason, or a correction.

    Where somebody else weighed the line meanwhile, both are shown first; an entry that loses is set aside, not lost.
    """
    net = to_microgram(net)
    if details.get("captured"):
        _require_balance_account(actor)
    batch: Batch = advance(line.batch, BATCH_MACHINE, "weigh")
    refuse_if_held("batch", batch.code)
    sheet_line = _line_of(batch, line)
    _check_number(net, balance)
    taken = _usable_lot(lot, sheet_line.row, exploratory=batch.exploratory)
    facts = {"line": sheet_line.row, "by": actor, "lot": taken, "net": net, "balance": balance.strip()}
    choice = _settled(sheet_line, net, details)
    if choice == "theirs":
        return _set_aside(batch, sheet_line, facts, details)
    if choice == "mine":
        return _replace(batch, sheet_line, facts, details)
    return _put_in(batch, sheet_line, facts, details)


def _require_balance_account(actor: User) -> None:
    """Only a computer can say that a number came from the balance: what a person sends was typed or scanned."""
    if not actor.is_service:
        raise NotAllowed(
            "Only the account of a balance sends captured weighings; yours is a person's.",
            code="captured-by-person",
            next_step="Send it as typed; a second person looks at it.",
            fields={"captured": ["Leave this out, or send from the balance's own account."]},
        )


def _put_in(batch: Batch, line: SheetLine, facts: dict[str, Any], details: WeighingDetails) -> Weighing:
    """One weighing more, from the lot's stock."""
    net, taken, actor = facts["net"], facts["lot"], facts["by"]
    used = require_equipment(facts["balance"], kind="balance", override=_override(details))
    _keep_within_concession(taken, batch, net)
    if not details.get("meant"):
        _ask_about_slip(net, line)
    off = line.total + net - line.row.target
    outside = _is_outside(off, line.row, more=details.get("more", False))
    reason = details.get("reason", "").strip()
    if outside and not reason:
        raise _needs_reason(off, line.row)
    note_opening(taken, opened_on=details.get("opened_on"))
    correction = _correction(batch, line, net) if details.get("correct") and outside else None
    marks = {"overridden_by": used[0], "override_reason": used[1]}
    deviates = outside and correction is None
    made = _keep(facts | marks | {"reason": reason, "deviates": deviates}, details)
    move_stock(taken, mass=-net, kind=StockMove.Kind.WEIGHING, by=actor, cause=batch.code)
    _note(batch, off, line.row, outside=outside, reason=reason)
    if correction is not None:
        accept_correction(batch, correction, weighing=made, by=actor, reason=reason)
    return made


def _correction(batch: Batch, line: SheetLine, net: Decimal) -> Correction:
    found = correction_for(sheet_of(batch), position=line.row.position, net=net)
    if found is None:
        raise Invalid(
            "There is nothing to correct: the line is not above its target. Weigh the rest.",
            code="no-correction",
            fields={"correct": ["Only too much of a line is corrected by the others."]},
        )
    return found


def _override(details: WeighingDetails) -> Override:
    return Override(
        override_by=details.get("override_by"),
        override_password=details.get("override_password", ""),
        override_reason=details.get("override_reason", ""),
    )


def _settled(line: SheetLine, net: Decimal, details: WeighingDetails) -> str:
    """What becomes of two entries of one line; refuses while nobody has said."""
    seen, last = details.get("seen"), line.weighings[-1] if line.weighings else None
    if seen is None or last is None or last.pk == seen:
        return ""
    choice = details.get("choice", "")
    if choice not in ("both", "mine", "theirs"):
        raise Conflict(
            f"{last.by.printed_name} weighed {show_mass(last.net)} of {last.lot.code} into line {line.row.position}"
            f" at {last.at:%H:%M:%S} UTC while you entered {show_mass(net)}.",
            code="weighed-meanwhile",
            next_step="Look into the vessel and say which stands. Both stay on record.",
            standing=str(last.net),
            yours=str(net),
        )
    if choice != "both" and not details.get("reason", "").strip():
        raise Invalid("Say why.", fields={"reason": ["Which of two entries stands needs a reason."]})
    return choice


def _set_aside(batch: Batch, line: SheetLine, facts: dict[str, Any], details: WeighingDetails) -> SetAside:
    row = SetAside(
        batch=batch,
        **facts,
        as_entered=details.get("as_entered", "") or show_mass(facts["net"]),
        against=line.weighings[-1],
        reason=details.get("reason", "").strip(),
    )
    row.full_clean()
    row.save()
    note_change(row, {"lot": (None, row.lot.code), "net": (None, row.net)})
    return row


def _replace(batch: Batch, line: SheetLine, facts: dict[str, Any], details: WeighingDetails) -> Weighing:
    """One's own entry in the place of the other's: the other's stays on record as corrected, its lot gets it back."""
    theirs = line.weighings[-1]
    used = require_equipment(facts["balance"], kind="balance", override=_override(details))
    _keep_within_concession(facts["lot"], batch, facts["net"])
    if not details.get("meant"):
        _ask_about_slip(facts["net"], line)
    off, reason = line.total - theirs.net + facts["net"] - line.row.target, details.get("reason", "").strip()
    outside = _is_outside(off, line.row, more=details.get("more", False))
    marks = {"overridden_by": used[0], "override_reason": used[1], "replaces": theirs}
    note_opening(facts["lot"], opened_on=details.get("opened_on"))
    back = StockMove.Kind.ADJUSTMENT
    move_stock(theirs.lot, mass=theirs.net, kind=back, by=facts["by"], cause=batch.code, reason=reason)
    made = _keep(facts | marks | {"reason": reason, "deviates": outside}, details)
    move_stock(facts["lot"], mass=-facts["net"], kind=StockMove.Kind.WEIGHING, by=facts["by"], cause=batch.code)
    _note(batch, off, line.row, outside=outside, reason=reason)
    return made


def _keep_within_concession(lot: Lot, batch: Batch, net: Decimal) -> None:
    """A lot accepted under a concession goes only where, only as much and only as long as that says."""
    concession = concession_of("lot", lot.code) if lot.state == LotState.RESTRICTED else None
    if concession is None or concession.second is None:
        return
    weighed = lot.moves.filter(kind=StockMove.Kind.WEIGHING, at__gte=concession.second.at)
    used = -(weighed.aggregate(total=Sum("mass"))["total"] or Decimal(0))
    formulation = batch.recipe.formulation.code if batch.recipe else ""
    take_from_concession(concession, formulation=formulation, mass=net + used)


def _line_of(batch: Batch, line: BatchLine) -> SheetLine:
    found = next(row for row in sheet_of(batch).lines if row.row.pk == line.pk)
    if found.row.skipped_reason:
        raise Conflict(f"Line {found.row.position} was skipped.", code="line-skipped")
    return found


def _check_number(net: Decimal, balance: str) -> None:
    problems = {}
    if not net > 0:
        problems["net"] = ["More than nothing is expected."]
    if not balance.strip():
        problems["balance"] = ["Name the balance."]
    if problems:
        raise Invalid("The weighing is not complete.", fields=problems)


def _usable_lot(lot: Lot, line: BatchLine, *, exploratory: bool) -> Lot:
    """The lot, locked, when it is of the right material and may be used now."""
    taken = locked(lot)
    if taken.material_id != line.material_id:
        raise Invalid(
            f"{taken.code} is {taken.material.name}; line {line.position} asks for {line.material.name}.",
            code="wrong-material",
            fields={"lot": [f"A lot of {line.material.name} is expected."]},
        )
    refuse_if_held("lot", taken.code)
    if not exploratory:
        require_usable(taken)
    elif taken.state in NEVER_WEIGHED:
        raise Conflict(f"{taken.code} is {state_words(taken)}; it cannot be weighed.", code="lot-not-usable")
    return taken


def _ask_about_slip(net: Decimal, line: SheetLine) -> None:
    """Ask again where the number is ten, a hundred or a thousand times off what is still to be weighed."""
    expected = line.left if line.left > line.row.tolerance else line.row.target
    for factor in SLIPS:
        if abs(net / expected / factor - 1) < SLIP_WIDTH:
            words = f"{factor:f} times" if factor > 1 else f"1/{1 / factor:f} of"
            raise Invalid(
                f"{show_mass(net)} is {words} what is expected here ({show_mass(expected)}). Is it meant?",
                code="unit-slip",
                next_step="Read the balance again. If the number is right, say that it is meant.",
                fields={"net": ["Read the balance again, or say that this number is meant."]},
                expected=str(expected),
            )


def _is_outside(off: Decimal, line: BatchLine, *, more: bool) -> bool:
    return off > line.tolerance or (off < -line.tolerance and not more)


def _needs_reason(off: Decimal, line: BatchLine) -> Invalid:
    percent = off / line.target * 100
    return Invalid(
        f"Line {line.position} is off by {percent:+.2f} %; {line.tolerance / line.target * 100:.2f} % are allowed.",
        code="outside-tolerance",
        next_step="Say why, or weigh the rest.",
        fields={"reason": ["Outside the tolerance a reason is needed."]},
        off_percent=f"{percent:.4f}",
    )


def _keep(facts: dict[str, Any], details: WeighingDetails) -> Weighing:
    row = Weighing(
        **facts,
        tare=details.get("tare") or Decimal(0),
        container=details.get("container", "").strip(),
        as_entered=details.get("as_entered", "") or show_mass(facts["net"]),
        captured=details.get("captured", False),
        scanned=details.get("scanned", False),
        device_time=details.get("device_time"),
    )
    row.full_clean()
    row.save()
    note_change(row, {"lot": (None, row.lot.code), "net": (None, row.net), "captured": (None, row.captured)})
    return row


def _note(batch: Batch, off: Decimal, line: BatchLine, *, outside: bool, reason: str) -> None:
    """Mark what the weighing means for the batch; beyond the outer limit a nonconformance opens by itself."""
    batch.started_at = batch.started_at or timezone.now()
    beyond = outside and abs(off) > line.outer_tolerance
    batch.deviated = batch.deviated or beyond
    batch.save()
    if beyond:
        title = f"Line {line.position} weighed {off / line.target * 100:+.2f} % off"
        open_nonconformance(batch, actor=None, title=title, description=reason)


@act("batch.correct")
def correct_weighing(weighing: Weighing, *, actor: User, net: Decimal, reason: str, as_entered: str = "") -> Weighing:
    """Correct a weighing before the weights are locked: a new row that names the old one, with the reason."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A correction needs a reason."]})
    net = to_microgram(net)
    if not weighing.by.is_service:  # what a balance sent is nobody's own
        require_own(actor, "batch.correct", weighing.by_id)
    batch = locked(weighing.line.batch)
    _require_weighing(batch)
    if Weighing.objects.filter(replaces=weighing).exists():
        raise Conflict("This weighing was corrected already; correct the newer one.", code="corrected-already")
    _check_number(net, weighing.balance)
    line = _line_of(batch, weighing.line)
    off = line.total - weighing.net + net - line.row.target
    outside = abs(off) > line.row.tolerance
    row = Weighing(
        line=line.row,
        lot=weighing.lot,
        net=net,
        tare=weighing.tare,
        container=weighing.container,
        as_entered=as_entered or show_mass(net),
        balance=weighing.balance,
        captured=False,
        by=actor,
        reason=reason.strip(),
        deviates=outside,
        replaces=weighing,
    )
    row.full_clean()
    row.save()
    note_change(row, {"net": (weighing.net, row.net)})
    if net != weighing.net:
        change = weighing.net - net
        move_stock(weighing.lot, mass=change, kind=StockMove.Kind.ADJUSTMENT, by=actor, cause=batch.code, reason=reason)
    _note(batch, off, line.row, outside=outside, reason=reason.strip())
    return row


def _require_weighing(batch: Batch) -> None:
    if batch.state != BatchState.WEIGHING:
        raise Conflict(
            f"{batch.code} is {state_words(batch)}; its weights are locked.",
            code="weights-locked",
            allowed=BATCH_MACHINE.allowed(batch.state),
        )


@act("batch.check")
def check_weighing(weighing: Weighing, *, actor: User) -> WeighingCheck:
    """Look at a typed weighing as a second person; never at one's own."""
    require_not_own_work(actor, "batch.check", {weighing.by_id})
    _require_weighing(locked(weighing.line.batch))
    if Weighing.objects.filter(replaces=weighing).exists():
        raise Conflict("This weighing was corrected; check the newer one.", code="corrected-already")
    if WeighingCheck.objects.filter(weighing=weighing).exists():
        raise Conflict("This weighing has been checked already.", code="checked-already")
    check = WeighingCheck(weighing=weighing, by=actor)
    check.full_clean()
    check.save()
    return check


@act("batch.weigh")
def skip_line(line: BatchLine, *, actor: User, reason: str) -> BatchLine:
    """Leave a line out, with a reason; the batch deviates."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Leaving a line out needs a reason."]})
    batch: Batch = advance(line.batch, BATCH_MACHINE, "weigh")
    refuse_if_held("batch", batch.code)
    found = _line_of(batch, line)
    if found.weighings:
        raise Conflict(f"Line {line.position} has been weighed; it cannot be left out.", code="line-weighed")
    found.row.skipped_reason = reason.strip()
    found.row.save()
    batch.deviated, batch.started_at = True, batch.started_at or timezone.now()
    batch.save()
    return found.row


@act("batch.close_weighing")
def close_weighing(batch: Batch, *, actor: User) -> Batch:
    """Lock the weights: every line weighed or left out, every typed weighing seen by a second person."""
    fresh: Batch = advance(batch, BATCH_MACHINE, "close_weighing")
    refuse_if_held("batch", fresh.code)
    sheet = sheet_of(fresh)
    if missing := what_stops_closing(sheet):
        raise Conflict(missing[0], code="weighing-not-complete", missing=missing)
    fresh.save()
    give_back(fresh, by=actor, reason="weighing closed")
    return fresh


def what_stops_closing(sheet: Any) -> list[str]:
    """What has to be done before the weights can be locked, in sentences."""
    open_lines = [str(line.row.position) for line in sheet.lines if not line.done]
    unchecked = [str(line.row.position) for line in sheet.lines if line.unchecked]
    found = []
    if open_lines:
        found.append(f"Not weighed yet: line {', '.join(open_lines)}.")
    if unchecked:
        found.append(f"Typed and not seen by a second person: line {', '.join(unchecked)}.")
    return found
