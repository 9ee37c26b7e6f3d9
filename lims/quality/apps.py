"""Quality's decisions and control charts."""

from django.apps import AppConfig


class QualityConfig(AppConfig):
    name = "lims.quality"
    label = "quality"
    default_auto_field = "django.db.models.BigAutoField"
