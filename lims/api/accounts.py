"""Signing in and out, people and their roles."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
