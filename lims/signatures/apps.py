"""Signatures with their meaning."""

from django.apps import AppConfig


class SignaturesConfig(AppConfig):
    name = "lims.signatures"
    label = "signatures"
    default_auto_field = "django.db.models.BigAutoField"
