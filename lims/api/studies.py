"""Studies: what the methods beside a reduction find in one run or in several; a new method is answered by itself."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from lims.api.base import View
from lims.runs.selectors import studies as studies_

READ = "laboratory.read"
RUNS = OpenApiParameter(
    "run", str, many=True, explode=True, required=True, description="code of a run, such as R-0001; once for each run"
)


def _actor(request: Request) -> Any:
    return request.user


class RunStudy(View):
    """What one method finds in one run."""

    rights = {"GET": READ}

    @extend_schema(responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, code: str, method: str) -> Response:
        """The object that `python -m analysis <method> --json` prints for the run's file, setup and zero.

        Where no figure can be defended, `figures` is empty and `flags` say why. It is computed when asked for and not
        stored. Problem codes: `not-read-yet`, `channel-missing`, `too-large`.
        """
        return Response(studies_.study_run_for(_actor(request), code, method).result)


class Study(View):
    """What one method finds in the results of several runs."""

    rights = {"GET": READ}

    @extend_schema(parameters=[RUNS], responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, method: str) -> Response:
        """The object that `python -m analysis <method> --json` prints for the current results of the runs."""
        codes = request.query_params.getlist("run")
        return Response(studies_.study_runs_for(_actor(request), codes, method).result)


urlpatterns = [
    path("runs/<str:code>/studies/<str:method>/", RunStudy.as_view(), name="api-run-study"),
    *(
        path(f"studies/{kind.key}/", Study.as_view(), {"method": kind.key}, name=f"api-study-{kind.key}")
        for kind in studies_.studies_of_runs()
    ),
]
