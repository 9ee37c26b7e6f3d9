"""Today: what waits for me."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from lims.comparisons.waiting import waiting_for
from lims.web.doors import page, person


@page("")
def today(request: HttpRequest) -> HttpResponse:
    """What waits for the person signed in, by their rights."""
    return render(request, "today/today.html", {"piles": waiting_for(person(request))})


urlpatterns = [path("", today, name="today")]
