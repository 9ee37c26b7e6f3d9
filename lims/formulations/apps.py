"""Formulations and batches."""

from django.apps import AppConfig


class FormulationsConfig(AppConfig):
    name = "lims.formulations"
    label = "formulations"
    default_auto_field = "django.db.models.BigAutoField"
