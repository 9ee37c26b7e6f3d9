"""What quality does: judge, release, reject, take a release back."""

from lims.quality.services.batches import reject_batch, release_batch
from lims.quality.services.lives import extend_lot_life
from lims.quality.services.lots import judge_lot, record_lot_result, reject_lot, release_lot, withdraw_lot_release

__all__ = [
    "extend_lot_life",
    "judge_lot",
    "record_lot_result",
    "reject_batch",
    "reject_lot",
    "release_batch",
    "release_lot",
    "withdraw_lot_release",
]
