"""The history, the chain, and stored files."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
