"""Files as they came, stored under their digest."""

from django.apps import AppConfig


class FilesConfig(AppConfig):
    name = "lims.files"
    label = "files"
    default_auto_field = "django.db.models.BigAutoField"
