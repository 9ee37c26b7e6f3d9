"""The laboratory system: pages, programming interface, records, queue."""

from lims.celery import app as celery_app

__all__ = ("celery_app",)
