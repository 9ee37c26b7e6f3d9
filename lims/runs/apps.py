"""Applications, runs and reductions."""

from django.apps import AppConfig


class RunsConfig(AppConfig):
    name = "lims.runs"
    label = "runs"
    default_auto_field = "django.db.models.BigAutoField"
