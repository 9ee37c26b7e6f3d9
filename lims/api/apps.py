"""The programming interface."""

from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "lims.api"
    label = "api"
    default_auto_field = "django.db.models.BigAutoField"
