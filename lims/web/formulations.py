"""Formulations and their versions."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
