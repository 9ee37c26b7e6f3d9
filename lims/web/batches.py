"""Batches: plan, weigh, process, decide."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
