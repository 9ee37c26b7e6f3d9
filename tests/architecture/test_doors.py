"""Pages and API read requests and call services: they never write a table themselves."""

import ast

import pytest

from tests.architecture.source import place, python_files, receiver_names, short, tree_of

ALWAYS_A_WRITE = frozenset(
    {"bulk_create", "bulk_update", "get_or_create", "update_or_create", "aupdate_or_create", "select_for_update"}
)
WRITES_ON_ROWS = frozenset({"create", "update", "delete"})
MAKES_ROWS = frozenset(
    {"objects", "filter", "exclude", "all", "annotate", "order_by", "select_related", "_default_manager"}
)
# What has a `save` or `delete` of its own that is no row: forms keep nothing until a service is called.
NOT_ROWS = frozenset({"form", "formset", "session", "serializer", "image", "buffer", "book", "figure"})
DOORS = ("lims/web/**/*.py", "lims/api/**/*.py")


def writes_in(tree: ast.AST) -> list[ast.Call]:
    """Return the calls that write to a table."""
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call) and is_write(node)]


def is_write(call: ast.Call) -> bool:
    """Whether a call writes to a table, judged by the method and by what it is called on."""
    if not isinstance(call.func, ast.Attribute):
        return False
    method, *receivers = receiver_names(call.func)
    if method in ALWAYS_A_WRITE:
        return True
    if method in WRITES_ON_ROWS and MAKES_ROWS.intersection(receivers):
        return True
    return method in {"save", "delete", "asave"} and bool(receivers) and receivers[0] not in NOT_ROWS


@pytest.mark.parametrize("path", python_files(*DOORS), ids=short)
def test_no_door_writes_a_table(path):
    found = [place(path, call) for call in writes_in(tree_of(path))]
    assert not found, f"only services write; call one instead: {', '.join(found)}"


@pytest.mark.parametrize("path", python_files(*DOORS), ids=short)
def test_no_door_queries_a_table_directly(path):
    found = [
        place(path, node)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Attribute) and node.attr == "objects"
    ]
    assert not found, f"only selectors read tables; call one instead: {', '.join(found)}"


@pytest.mark.parametrize(
    "line",
    [
        "sample.save()",
        "Sample.objects.create(name='x')",
        "lot.samples.filter(a=1).update(b=2)",
        "Sample.objects.all().delete()",
        "run.delete()",
        "rows.bulk_create(new)",
    ],
)
def test_a_write_is_recognised(line):
    assert writes_in(ast.parse(line))


@pytest.mark.parametrize(
    "line",
    ["attrs.update(a=1)", "digest.update(b'x')", "request.session.save()", "form.save()", "services.create_lot()"],
)
def test_what_only_looks_like_a_write_is_left_alone(line):
    assert not writes_in(ast.parse(line))
