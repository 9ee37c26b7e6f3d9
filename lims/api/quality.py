"""Quality's decisions, holds and nonconformances."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
