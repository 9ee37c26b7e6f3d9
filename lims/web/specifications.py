"""Specifications and limits."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
