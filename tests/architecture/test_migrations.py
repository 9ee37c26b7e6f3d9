"""A migration must do the same in ten years: it uses no code of the project that may change until then."""

import ast

import pytest

from tests.architecture.source import place, python_files, short, tree_of

OWN_PACKAGES = ("lims", "analysis", "tests")


def own_imports(tree: ast.AST) -> list[ast.stmt]:
    """Return the imports of the project's own code."""
    found: list[ast.stmt] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or "", "lims"][: 2 if node.level else 1]
        else:
            continue
        if any(name.split(".")[0] in OWN_PACKAGES for name in names):
            found.append(node)
    return found


@pytest.mark.parametrize("path", python_files("lims/*/migrations/*.py"), ids=short)
def test_no_migration_uses_code_of_the_project(path):
    found = [place(path, node) for node in own_imports(tree_of(path))]
    assert not found, f"write the needed value or function into the migration itself: {', '.join(found)}"


@pytest.mark.parametrize(
    "line", ["import lims.runs.kinds", "from lims.core import codes", "from ..states import State"]
)
def test_an_own_import_is_recognised(line):
    assert own_imports(ast.parse(line))


@pytest.mark.parametrize("line", ["import django.db.models", "from django.conf import settings"])
def test_a_library_import_is_left_alone(line):
    assert not own_imports(ast.parse(line))
