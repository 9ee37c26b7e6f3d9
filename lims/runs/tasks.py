"""What the worker does, by ids only; each may run twice without harm."""

from __future__ import annotations

import functools
import uuid

import structlog
from celery import shared_task
from celery.signals import worker_process_init
from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.module_loading import import_string
from kombu.exceptions import KombuError

from lims.core import context
from lims.runs import bridge
from lims.runs.models import Reduction
from lims.runs.reducing import perform_reduction
from lims.runs.selectors.reductions import to_send
from lims.runs.states import ReductionState

log = structlog.get_logger(__name__)


def get_ready(**_: object) -> None:
    """Get a worker's child ready. Here, after the fork, and not in its parent: polars does not survive a fork."""
    bridge.get_ready()


worker_process_init.connect(get_ready)


@shared_task(name="runs.reduce_run")  # type: ignore[untyped-decorator]
def reduce_run(pk: int) -> None:
    """Reduce one run; does nothing where another worker has the reduction, or where it is done."""
    token = context.request_id.set(uuid.uuid4().hex)
    try:
        for follower in perform_reduction(pk):
            send(follower)
        tell_of(pk)
    finally:
        context.request_id.reset(token)


def tell_of(pk: int) -> None:
    """Tell the nouns above of a reduction that is done; what fails there leaves the reduction as it is."""
    if not Reduction.objects.filter(pk=pk, state=ReductionState.REDUCED).exists():
        return
    for path in settings.AFTER_REDUCTION:
        try:
            import_string(path)(pk)
        except Exception:
            log.exception("following a reduction failed", reduction=pk, step=path)


def send_after_commit(reduction: Reduction) -> None:
    """Hand a reduction to the queue once it is truly stored."""
    transaction.on_commit(functools.partial(send, reduction.pk))


def send(pk: int) -> bool:
    """Hand a reduction to the queue. Where the queue is down the row waits, and the sweep sends it later."""
    try:
        reduce_run.delay(pk)
    except (KombuError, OSError) as error:
        log.warning("reduction waits: the queue does not answer", reduction=pk, error=str(error))
        return False
    Reduction.objects.filter(pk=pk).filter(~Q(state=ReductionState.REDUCED)).update(sent_at=timezone.now())
    return True


def sweep_reductions() -> int:
    """Send again what a lost message, a dead worker or a queue that was down left behind; returns how many."""
    sent = 0
    for pk in to_send():
        if not send(pk):
            break
        sent += 1
    return sent
