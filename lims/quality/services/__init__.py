"""What quality does: judge, release, concede, reject, take a release back, make a life longer."""

from lims.quality.services.batches import judge_batch, judge_reduced, reject_batch, release_batch
from lims.quality.services.certifying import amend_certificate, issue_certificate, withdraw_certificate
from lims.quality.services.charts import answer_signal, create_chart, fix_phase, subject_of, watch, watch_reduced
from lims.quality.services.conceding import (
    approve_batch_concession,
    approve_lot_concession,
    propose_batch_concession,
    propose_lot_concession,
)
from lims.quality.services.lives import extend_lot_life
from lims.quality.services.lots import judge_lot, record_lot_result, reject_lot, release_lot, withdraw_lot_release

__all__ = [
    "amend_certificate",
    "answer_signal",
    "approve_batch_concession",
    "approve_lot_concession",
    "create_chart",
    "extend_lot_life",
    "fix_phase",
    "issue_certificate",
    "judge_batch",
    "judge_lot",
    "judge_reduced",
    "propose_batch_concession",
    "propose_lot_concession",
    "record_lot_result",
    "reject_batch",
    "reject_lot",
    "release_batch",
    "release_lot",
    "subject_of",
    "watch",
    "watch_reduced",
    "withdraw_certificate",
    "withdraw_lot_release",
]
