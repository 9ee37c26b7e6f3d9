"""Today: what waits for me, and where my work begins."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from lims.comparisons.waiting import waiting_for
from lims.runs.selectors.plans import next_lines
from lims.web.doors import page, person
from lims.web.help import first_hour_for
from lims.web.navigation import address

# what a day begins with: the page, its words, the right it needs
BEGINNINGS: tuple[tuple[str, str, str], ...] = (
    ("application-new", "Put a sample on", "application.apply"),
    ("run-upload", "Send run files", "run.upload"),
    ("batch-new", "Plan a batch", "batch.plan"),
    ("sample-new", "Register a sample", "sample.register"),
    ("lot-new", "Receive a lot", "lot.receive"),
    ("comparison-new", "Compare samples", "comparison.pose"),
    ("records", "Read the history", "system.read"),
    ("chain", "Check the chain", "system.read"),
    ("people", "People and roles", "role.grant"),
)


@page("")
def today(request: HttpRequest) -> HttpResponse:
    """What waits for the person signed in, by their rights."""
    user = person(request)
    begin = [{"label": label, "url": address(name)} for name, label, right in BEGINNINGS if user.may(right)]
    context = {"piles": waiting_for(user), "beginnings": begin, "next": next_lines() if user.may("plan.work") else []}
    return render(request, "today/today.html", context | {"first_hours": first_hour_for(request)})


urlpatterns = [path("", today, name="today")]
