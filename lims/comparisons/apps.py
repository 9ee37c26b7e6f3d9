"""Comparisons and rankings."""

from django.apps import AppConfig


class ComparisonsConfig(AppConfig):
    name = "lims.comparisons"
    label = "comparisons"
    default_auto_field = "django.db.models.BigAutoField"
