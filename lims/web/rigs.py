"""Rigs, blocks, sensors, calibrations and methods."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
