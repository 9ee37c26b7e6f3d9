"""The administrators' view of the tables: to look at, never to change. Work goes through the acts alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from django.contrib import admin
from django.contrib.admin.apps import AdminConfig
from django.http import HttpRequest

if TYPE_CHECKING:
    _Admin = admin.ModelAdmin[Any]
else:
    _Admin = admin.ModelAdmin


class ReadOnlySite(admin.AdminSite):
    """The site at /admin/: for those with the right to look into the system."""

    site_header = site_title = "The system's tables"
    index_title = "To look at; nothing can be changed here"

    def has_permission(self, request: HttpRequest) -> bool:
        user: Any = request.user
        return bool(user.is_authenticated and user.may("system.read"))


class ReadOnlySiteConfig(AdminConfig):
    """Put the read-only site in the place of Django's own."""

    default_site = "lims.core.read_only.ReadOnlySite"


class ReadOnlyAdmin(_Admin):
    """One table, to look at, for those with `right`: administering the system opens no laboratory record."""

    right: ClassVar[str] = "laboratory.read"
    actions = None
    list_per_page = 50
    show_full_result_count = False

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        user: Any = request.user
        return bool(user.is_authenticated and user.may(self.right))

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.has_view_permission(request)

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False
