"""Today: what waits for me."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
