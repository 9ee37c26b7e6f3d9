"""The queue's application: `celery -A lims worker`. Tasks carry ids only; the database is the queue's memory."""

import os
from typing import Any

from celery import Celery
from celery.signals import celeryd_init, setup_logging

from lims.environment import refuse_unless_ready

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "lims.settings")

app = Celery("lims")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


def _refuse_to_work_unset(**_: Any) -> None:
    refuse_unless_ready()


def _keep_own_logs(**_: Any) -> None:
    """Being connected is enough: the queue then leaves the logs as the settings made them."""


celeryd_init.connect(_refuse_to_work_unset)
setup_logging.connect(_keep_own_logs)
