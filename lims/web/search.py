"""One search box, and the pages that a scanned code opens."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
