"""Plans of applications: drawn by lot, looked at, accepted, printed, worked down."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.rigs.selectors import rigs_for
from lims.runs.selectors import plans as selectors
from lims.runs.services import plans as services
from lims.runs.states import TestPlanState
from lims.samples.selectors import get_sample_for
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.fields import ReasonForm
from lims.web.forms.plans import DrawForm, FirstDayForm

READ = "laboratory.read"


@page(READ)
def plans(request: HttpRequest) -> HttpResponse:
    """Every plan, newest first."""
    user = person(request)
    context = {
        "page": paged(request, selectors.plans_for(user, state=request.GET.get("state", ""))),
        "may_draw": user.may("plan.draw"),
    }
    return render(request, "plans/plans.html", context)


@page("plan.draw")
def plan_new(request: HttpRequest) -> HttpResponse:
    """Draw a plan by lot."""
    form = DrawForm(request.POST or None, rigs=rigs_for(person(request)))
    done = submitted(request, form, lambda: _draw(request, form), to=_page_of)
    return done or render(request, "plans/plan_new.html", {"form": form}, status=status_of(form))


def _draw(request: HttpRequest, form: DrawForm) -> Any:
    user, data = person(request), dict(form.cleaned_data)
    samples = [get_sample_for(user, code) for code in data.pop("samples")]
    reference = data.pop("reference")
    return once(key_of(request), services.draw_plan)(
        actor=user,
        samples=samples,
        reference=get_sample_for(user, reference) if reference else None,
        **data | {"rigs": list(data["rigs"])},
    )


def _page_of(plan: Any) -> str:
    return reverse("test-plan", args=[plan.code])


@page(READ)
def plan(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One plan: its order, how even it is, what was done and where the order was left."""
    user = person(request)
    found = selectors.get_plan_for(user, code)
    if found.code != code:
        return redirect("test-plan", found.code)
    lines = list(selectors.lines_of(found))
    context = {
        "plan": found,
        "actions": PLAN.buttons(user, found, failed=failed),
        "refusal": failed.refusal if failed else None,
        "lines": [{"line": line, "date": selectors.day_of(line)} for line in lines],
        "done": sum(not line.open for line in lines),
        "left": [line for line in lines if line.out_of_order or line.skipped_reason],
        "evenness": selectors.evenness_of(found),
        "next": selectors.next_lines(found) if found.state == TestPlanState.ACCEPTED else [],
        "may_work": user.may("plan.work") and found.state == TestPlanState.ACCEPTED,
        "entries": readable(history_of("test plan", found.code)[:50], user),
    }
    return render(request, "plans/plan.html", context, status=failed.status if failed else 200)


@page("plan.work")
def line_skip(request: HttpRequest, code: str, position: int) -> HttpResponse:
    """Leave a line out, with the reason."""
    user = person(request)
    line = selectors.get_line_for(user, code, position)
    form = ReasonForm(request.POST or None)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.skip_line)(line, actor=user, **form.cleaned_data),
        to=lambda _line: reverse("test-plan", args=[line.plan.code]),
    )
    return done or render(request, "plans/line_skip.html", {"form": form, "line": line}, status=status_of(form))


_S = TestPlanState
PLAN = RecordPage(
    "test-plan",
    "plans",
    selectors.get_plan_for,
    plan,
    (
        RecordAct(
            "accept", "Accept", "plan.accept", services.accept_plan, FirstDayForm, states(_S.DRAFT), main=True,
            hint="Operators work it down in this order from then on.",
        ),
        RecordAct(
            "abandon", "Give up", "plan.abandon", services.abandon_plan, ReasonForm, states(_S.DRAFT, _S.ACCEPTED)
        ),
    ),
)  # fmt: skip

urlpatterns = [
    path("plans/", plans, name="test-plans"),
    path("plans/new/", plan_new, name="test-plan-new"),
    path("plans/<str:code>/lines/<int:position>/skip/", line_skip, name="test-plan-line-skip"),
    *PLAN.paths(),
    path("plans/<str:code>/", plan, name="test-plan"),
]
