"""Limits and verdicts."""

from django.apps import AppConfig


class SpecificationsConfig(AppConfig):
    name = "lims.specifications"
    label = "specifications"
    default_auto_field = "django.db.models.BigAutoField"
