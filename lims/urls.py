"""Where addresses lead: the pages, the programming interface, the administrators' view."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("admin/", admin.site.urls),
    path("api/", include("lims.api.urls")),
    path("", include("lims.web.urls")),
]
handler404 = "lims.api.base.no_route"
