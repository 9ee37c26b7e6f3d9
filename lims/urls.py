"""Where addresses lead: the pages, the programming interface, the administrators' view, health."""

from django.contrib import admin
from django.urls import include, path

from lims.core import health

urlpatterns = [
    path("health/live", health.live, name="health-live"),
    path("health/ready", health.ready, name="health-ready"),
    path("admin/", admin.site.urls),
    path("api/", include("lims.api.urls")),
    path("", include("lims.web.urls")),
]
