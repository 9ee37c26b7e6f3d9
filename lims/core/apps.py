"""The part without tables that every other part stands on."""

from django.apps import AppConfig


class CoreConfig(AppConfig):
    name = "lims.core"
    label = "core"
    default_auto_field = "django.db.models.BigAutoField"
