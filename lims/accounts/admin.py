"""Accounts and grants, to look at."""

from typing import ClassVar

from django.contrib import admin

from lims.accounts.models import Grant, User
from lims.core.read_only import ReadOnlyAdmin


@admin.register(User)
class UserAdmin(ReadOnlyAdmin):
    right: ClassVar[str] = "system.read"
    list_display = ("username", "first_name", "is_active", "is_service", "last_login")
    search_fields = ("username", "first_name")
    exclude = ("password",)


@admin.register(Grant)
class GrantAdmin(ReadOnlyAdmin):
    right: ClassVar[str] = "system.read"
    list_display = ("user", "role", "starts_at", "ends_at", "granted_by")
