"""Materials, suppliers and lots."""

from django.apps import AppConfig


class MaterialsConfig(AppConfig):
    name = "lims.materials"
    label = "materials"
    default_auto_field = "django.db.models.BigAutoField"
