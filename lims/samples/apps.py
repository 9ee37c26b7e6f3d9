"""Samples and where they are."""

from django.apps import AppConfig


class SamplesConfig(AppConfig):
    name = "lims.samples"
    label = "samples"
    default_auto_field = "django.db.models.BigAutoField"
