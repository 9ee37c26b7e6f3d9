"""Rigs, channels, blocks, calibrations and zeros."""

from django.apps import AppConfig


class RigsConfig(AppConfig):
    name = "lims.rigs"
    label = "rigs"
    default_auto_field = "django.db.models.BigAutoField"
