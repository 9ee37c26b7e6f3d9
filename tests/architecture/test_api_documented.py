"""Every route of the programming interface stands in its OpenAPI document, with words for people."""

import re
from functools import lru_cache

import pytest
from django.contrib.admindocs.views import simplify_regex
from django.core.management import call_command
from django.urls import URLPattern, URLResolver, get_resolver
from drf_spectacular.generators import SchemaGenerator

METHODS = ("get", "post", "put", "patch", "delete")


def routes(patterns=None, prefix: str = "") -> list[tuple[str, URLPattern]]:
    """Return every route below /api/ as a path with `{}` for each parameter."""
    found = []
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        path = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            found += routes(pattern.url_patterns, path)
        elif path.startswith("api/"):
            found.append((re.sub(r"<[^>]+>", "{}", simplify_regex(path)), pattern))
    return found


@lru_cache(maxsize=1)
def document() -> dict:
    """Return the OpenAPI document."""
    return SchemaGenerator().get_schema(request=None, public=True)


def documented() -> dict[str, dict]:
    """Return the documented operations by path, with `{}` for each parameter."""
    return {re.sub(r"\{[^}]+\}", "{}", path): operations for path, operations in document()["paths"].items()}


def operations() -> list[tuple[str, str]]:
    return [(path, method) for path, found in documented().items() for method in METHODS if method in found]


def test_there_are_routes():
    assert len(routes()) > 5


def test_every_route_is_documented():
    missing = [path for path, pattern in routes() if path not in documented() and pattern.name not in {"api-openapi"}]
    assert not missing


def test_every_method_of_a_route_is_documented():
    missing = []
    for path, pattern in routes():
        view = getattr(pattern.callback, "cls", None) or getattr(pattern.callback, "view_class", None)
        if pattern.name == "api-openapi" or view is None:
            continue
        mapped = getattr(pattern.callback, "actions", None) or {m: m for m in METHODS if hasattr(view, m)}
        missing += [f"{m.upper()} {path}" for m in mapped if m in METHODS and m not in documented().get(path, {})]
    assert not missing


def test_every_operation_says_what_it_does():
    silent = [
        f"{method.upper()} {path}"
        for path, method in operations()
        if not (documented()[path][method].get("summary") or documented()[path][method].get("description"))
    ]
    assert not silent


def test_every_operation_names_an_answer():
    silent = [
        f"{method.upper()} {path}"
        for path, method in operations()
        if not any(code.startswith(("2", "3")) for code in documented()[path][method]["responses"])
    ]
    assert not silent


def test_the_document_is_valid_and_complete(tmp_path, capsys):
    call_command("spectacular", "--validate", "--fail-on-warn", "--file", str(tmp_path / "openapi.yaml"))


@pytest.mark.parametrize("address", ["api/lots/<str:code>/", "api/runs/<int:number>/file"])
def test_a_parameter_is_recognised(address):
    assert "{}" in re.sub(r"<[^>]+>", "{}", simplify_regex(address))
