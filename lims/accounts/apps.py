"""People, service accounts and their roles."""

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "lims.accounts"
    label = "accounts"
    default_auto_field = "django.db.models.BigAutoField"
