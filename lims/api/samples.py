"""Samples, labels and custody."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
