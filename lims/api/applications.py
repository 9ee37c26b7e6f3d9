"""Applications of samples on rigs."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
