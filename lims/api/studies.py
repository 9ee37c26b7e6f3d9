"""Studies: what the methods beside a reduction find, with their options; a new method is answered by itself."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, answers
from lims.api.base import View, valid
from lims.runs.selectors import studies as studies_
from lims.runs.services.studies import keep_study

READ = "laboratory.read"
RUNS = OpenApiParameter(
    "run", str, many=True, explode=True, required=True, description="code of a run, such as R-0001; once for each run"
)


def _option_parameters(kinds: list[Any]) -> list[OpenApiParameter]:
    """The options of some methods as the registry declares them."""
    return [
        OpenApiParameter(
            option.key,
            str,
            enum=option.choices or None,
            description=f"{kind.label}: {option.label}. {option.words}"
            + (f" A number with its unit, or in {option.unit}." if option.unit else ""),
        )
        for kind in kinds
        for option in kind.options
    ]


def _texts(request: Request, method: str, *, of_runs: bool) -> dict[str, str]:
    """The options in the address; a parameter that is none is left alone."""
    kind = studies_.kind_of(method, of_runs=of_runs)
    given: Any = request.query_params if request.method == "GET" else request.data
    return {option.key: str(given.get(option.key, "")) for option in kind.options}


class KeepSerializer(serializers.Serializer[Any]):
    """A study to keep: its title, and its options beside it by their keys, as texts."""

    title = serializers.CharField(max_length=200)


class KeepOfRunsSerializer(KeepSerializer):
    """A study of several runs to keep."""

    runs = serializers.ListField(child=serializers.CharField(), min_length=1)


class KeptStudySerializer(serializers.Serializer[Any]):
    """A kept study."""

    code = serializers.CharField()
    title = serializers.CharField()
    method = serializers.CharField()
    options = serializers.JSONField()
    runs = serializers.ListField(child=serializers.CharField())
    reductions = serializers.ListField(child=serializers.CharField())
    package_version = serializers.CharField()
    kept_by = serializers.CharField(source="kept_by.username")
    kept_at = serializers.DateTimeField(source="created_at")


class KeptStudyDetailSerializer(KeptStudySerializer):
    """A kept study with its result."""

    result = serializers.JSONField()


class KeptStudies(View):
    """Studies that were kept."""

    rights = {"GET": READ}

    @extend_schema(operation_id="studies", responses=answers(KeptStudySerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(studies_.kept_studies_for(_actor(request)), KeptStudySerializer)


class KeptStudy(View):
    """One kept study."""

    rights = {"GET": READ}

    @extend_schema(operation_id="study", responses=answers(KeptStudyDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(KeptStudyDetailSerializer(studies_.get_kept_study_for(_actor(request), code)).data)


def _actor(request: Request) -> Any:
    return request.user


OF_ONE = _option_parameters(studies_.studies_of_one())
OF_SEVERAL = _option_parameters(studies_.studies_of_runs())


class RunStudy(View):
    """What one method finds in one run."""

    rights = {"GET": READ, "POST": "study.keep"}

    @extend_schema(parameters=OF_ONE, responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, code: str, method: str) -> Response:
        """The object that `python -m analysis <method> --json` prints for the run's file, setup and zero.

        Where no figure can be defended, `figures` is empty and `flags` say why. It is computed when asked for and not
        stored. Problem codes: `not-read-yet`, `channel-missing`, `too-large`.
        """
        return Response(
            studies_.study_run_for(_actor(request), code, method, _texts(request, method, of_runs=False)).result
        )

    @extend_schema(request=KeepSerializer, responses=answers(KeptStudyDetailSerializer, 201), parameters=[KEY])
    def post(self, request: Request, code: str, method: str) -> Response:
        """Keep it under a code."""
        content = valid(KeepSerializer(data=request.data))
        found = studies_.study_run_for(_actor(request), code, method, _texts(request, method, of_runs=False))
        kept = once(self.key, keep_study)(found, actor=_actor(request), title=content["title"])
        return Response(KeptStudyDetailSerializer(kept).data, status=201)


class Study(View):
    """What one method finds in the results of several runs."""

    rights = {"GET": READ, "POST": "study.keep"}

    @extend_schema(parameters=[RUNS, *OF_SEVERAL], responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, method: str) -> Response:
        """The object that `python -m analysis <method> --json` prints for the current results of the runs."""
        codes = request.query_params.getlist("run")
        return Response(
            studies_.study_runs_for(_actor(request), codes, method, _texts(request, method, of_runs=True)).result
        )

    @extend_schema(request=KeepOfRunsSerializer, responses=answers(KeptStudyDetailSerializer, 201), parameters=[KEY])
    def post(self, request: Request, method: str) -> Response:
        """Keep it under a code."""
        content = valid(KeepOfRunsSerializer(data=request.data))
        texts = _texts(request, method, of_runs=True)
        found = studies_.study_runs_for(_actor(request), content["runs"], method, texts)
        kept = once(self.key, keep_study)(found, actor=_actor(request), title=content["title"])
        return Response(KeptStudyDetailSerializer(kept).data, status=201)


urlpatterns = [
    path("studies/", KeptStudies.as_view(), name="api-studies"),
    path("runs/<str:code>/studies/<str:method>/", RunStudy.as_view(), name="api-run-study"),
    *(
        path(f"studies/{kind.key}/", Study.as_view(), {"method": kind.key}, name=f"api-study-{kind.key}")
        for kind in studies_.studies_of_runs()
    ),
    path("studies/<str:code>/", KeptStudy.as_view(), name="api-study"),
]
