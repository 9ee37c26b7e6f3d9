"""What every route stands on: a right for each method, problem details for each refusal, pages of a list."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.exceptions import ValidationError as ModelInvalid
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.views.defaults import page_not_found
from rest_framework import exceptions
from rest_framework.pagination import CursorPagination
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView, exception_handler

from lims.accounts.acts import require
from lims.accounts.roles import RIGHTS
from lims.accounts.scopes import require_scope
from lims.core.context import current_request_id, giving_code
from lims.core.errors import Invalid, NotFound, Refusal, problem_content

HANDLERS = ("get", "post", "put", "patch", "delete")


class HasRight(BasePermission):
    """Allow what the view's `rights` name for the method, to those who hold that right; nothing else."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        user = request.user
        if not user or not user.is_authenticated:
            return False
        right = getattr(view, "rights", {}).get(request.method, "")
        if right:
            require(user, right)
            require_scope(request.auth, right)
        return bool(right) or request.method == "OPTIONS"


class View(APIView):
    """A route of the laboratory. `rights` names, for each method it answers, the act of `lims.accounts.roles`."""

    rights: ClassVar[dict[str, str]] = {}
    permission_classes = (HasRight,)

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        for handler in HANDLERS:
            right = cls.rights.get(handler.upper())
            if handler in vars(cls) and right not in RIGHTS:
                raise TypeError(f"{cls.__name__}.{handler} has no right in lims.accounts.roles")

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        """Serve the request; a signature's one-time code comes in the header `One-Time-Code`."""
        with giving_code(request.headers.get("One-Time-Code", "")):
            return super().dispatch(request, *args, **kwargs)

    @property
    def key(self) -> str | None:
        """The key that makes a create safe to repeat, from the `Idempotency-Key` header."""
        return str(self.request.headers.get("Idempotency-Key", "")).strip('" ') or None

    def page(self, queryset: Any, serializer: Any) -> Response:
        """One page of a list, newest first, steady while rows arrive."""
        pages = Pages()
        rows: Any = pages.paginate_queryset(queryset, self.request, view=self)
        return pages.get_paginated_response(serializer(rows, many=True, context={"request": self.request}).data)


class Pages(CursorPagination):
    """Pages by a cursor: no count, no skipped rows while others write."""

    page_size = 50
    page_size_query_param = "size"
    max_page_size = 500
    ordering = "-id"


def valid(serializer: Any) -> dict[str, Any]:
    """The checked content of a request, or Invalid naming each field."""
    if not serializer.is_valid():
        raise Invalid("Some fields are not right.", fields=_messages(serializer.errors))
    return dict(serializer.validated_data)


def problem(error: Exception, context: dict[str, Any]) -> Response | None:
    """Show any error as problem details (RFC 9457) with a stable `code`."""
    if isinstance(error, Http404):
        error = NotFound("There is no such record.")
    if isinstance(error, ModelInvalid):
        error = Invalid("Some fields are not right.", fields=model_messages(error))
    if isinstance(error, Refusal):
        return _details(problem_content(error), error.status)
    response = exception_handler(error, context)
    if response is None or not isinstance(error, exceptions.APIException):
        return response
    content = {
        "title": error.default_detail,
        "status": response.status_code,
        "code": str(getattr(error, "default_code", "error")).replace("_", "-"),
        "detail": str(error.detail) if not isinstance(error.detail, dict | list) else "Some fields are not right.",
        "request_id": current_request_id(),
    }
    if isinstance(error.detail, dict):
        content["fields"] = _messages(error.detail)
    return _details(content, response.status_code, headers=dict(response.headers))


def model_messages(error: ModelInvalid) -> dict[str, list[str]]:
    """The messages of a model's check, by field."""
    return error.message_dict if hasattr(error, "error_dict") else {"": error.messages}


def _messages(errors: Any) -> dict[str, list[str]]:
    return {name: [str(m) for m in (found if isinstance(found, list) else [found])] for name, found in errors.items()}


def no_route(request: HttpRequest, exception: Exception) -> HttpResponse:
    """An address with nothing behind it: problem details under /api/, else the page that says so."""
    if not request.path.startswith("/api/"):
        return page_not_found(request, exception)
    content = problem_content(NotFound("There is no such address."))
    return JsonResponse(content, status=404, content_type="application/problem+json")


def _details(content: dict[str, Any], status: int, headers: dict[str, str] | None = None) -> Response:
    kept = {name: value for name, value in (headers or {}).items() if name in ("WWW-Authenticate", "Retry-After")}
    return Response(content, status=status, content_type="application/problem+json", headers=kept)
