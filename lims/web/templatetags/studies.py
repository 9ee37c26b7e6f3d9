"""Links from a run, a sample or the list of runs to the studies that can be made."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse

from lims.runs.selectors.studies import studies_of, studies_of_runs

register = template.Library()


@register.inclusion_tag("studies/_links.html")
def run_studies(run: Any, reduction: Any) -> dict[str, Any]:
    """The methods beside the reduction whose channels a run has."""
    kinds = studies_of(reduction)
    return {"links": [(kind, reverse("run-study", args=[run.code, kind.key])) for kind in kinds]}


@register.inclusion_tag("studies/_links.html")
def result_studies(**narrow: str) -> dict[str, Any]:
    """The methods that take several results; `sample="S-0311"` narrows what there is to choose from."""
    query = "&".join(f"{name}={value}" for name, value in narrow.items() if value)
    kinds = studies_of_runs()
    return {"links": [(kind, reverse(f"study-{kind.key}") + (f"?{query}" if query else "")) for kind in kinds]}
