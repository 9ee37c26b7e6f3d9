"""The history of every change."""

from django.apps import AppConfig


class AuditConfig(AppConfig):
    name = "lims.audit"
    label = "audit"
    default_auto_field = "django.db.models.BigAutoField"
