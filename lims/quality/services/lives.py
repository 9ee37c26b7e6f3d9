"""Make the life of a lot longer: by results of a retest that pass, signed, and by nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.cases.services import refuse_if_held
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.materials.models import Lot, LotProperty
from lims.materials.services import NewLife, lengthen_life
from lims.materials.states import LotState
from lims.quality.models import Decision
from lims.quality.selectors import decisions_of, standing_of_lot

LASTING = (LotState.UNDER_TEST, LotState.RELEASED, LotState.RESTRICTED)


@act("lot.extend_life")
def extend_lot_life(lot: Lot, *, actor: User, password: str, life: NewLife, reason: str) -> Lot:
    """Sign a longer life of a lot on results of a retest, entered since its last release; not by who entered them."""
    fresh = locked(lot)
    refuse_if_held("lot", fresh.code)
    if fresh.state not in LASTING:
        raise Conflict(f"{fresh.code} is {state_words(fresh)}; its life cannot be made longer.", code="wrong-state")
    require_not_own_work(actor, "lot.extend_life", {result.entered_by_id for result in life.results})
    _require_newer_than_release(fresh, life.results)
    _require_no_failure(fresh)
    lengthen_life(fresh, life, actor=actor, password=password, reason=reason)
    return fresh


def _require_newer_than_release(lot: Lot, results: Sequence[LotProperty]) -> None:
    """What a lot was released on shows nothing about today; a retest came after it."""
    release = decisions_of("lot", lot.code).filter(outcome=Decision.Outcome.RELEASE).first()
    old = [row for row in results if release is not None and row.entered_at <= release.signature.at]
    if release is not None and old:
        raise Invalid(
            f"{old[0].as_entered} was entered before the release of {release.signature.at:%Y-%m-%d}.",
            code="no-retest-result",
            next_step="Test the lot again, enter the result, then name it here.",
            fields={"results": ["A result entered after the release is expected."]},
        )


def _require_no_failure(lot: Lot) -> None:
    failed = standing_of_lot(lot).failed
    if failed:
        words = [f"{judgement.message}." for judgement in failed]
        raise Conflict(f"{lot.code} does not meet its limits: {' '.join(words)}", code="verdict-failed", missing=words)
