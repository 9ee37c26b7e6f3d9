"""Holds and nonconformances."""

from django.apps import AppConfig


class CasesConfig(AppConfig):
    name = "lims.cases"
    label = "cases"
    default_auto_field = "django.db.models.BigAutoField"
