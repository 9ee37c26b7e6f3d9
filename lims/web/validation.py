"""What the analysis computes beside what was published, for whoever has to trust it."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from lims.core.validation import validation as find_validation
from lims.web.doors import page


@page("laboratory.read")
def validation(request: HttpRequest) -> HttpResponse:
    """Every case of the validation, each with its source and its numbers."""
    return render(request, "validation/validation.html", {"validation": find_validation()})


urlpatterns = [path("validation/", validation, name="validation")]
