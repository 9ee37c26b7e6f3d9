"""The demo laboratory."""

from django.apps import AppConfig


class DemoConfig(AppConfig):
    name = "lims.demo"
    label = "demo"
    default_auto_field = "django.db.models.BigAutoField"
