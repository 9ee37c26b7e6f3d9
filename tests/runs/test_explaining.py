"""Each figure a method gives and each flag the analysis can raise is explained, with something to do about it."""

from __future__ import annotations

import ast
from collections.abc import Iterator

from analysis.methods import METHODS
from lims.runs.advice import ADVICE
from lims.runs.explaining import FIGURES, FLAGS
from tests.conftest import ROOT


def test_each_figure_that_a_method_gives_is_explained() -> None:
    given = {key for method in METHODS.values() for key in method.gives}
    assert given - set(FIGURES) == set()
    assert all(one.what and one.formula and one.source and one.to_do for one in FIGURES.values())


def test_each_flag_that_the_analysis_raises_is_explained_with_what_to_do() -> None:
    raised = set(_raised())
    assert {"not_settled", "zero_missing", "pump_out", "force_off_nominal"} <= raised
    assert raised - set(FLAGS) == set()
    assert [code for code, one in FLAGS.items() if not one.to_do] == []
    assert set(ADVICE) - set(FLAGS) == set()


def _raised() -> Iterator[str]:
    """The codes of all flags made in the package: written out, or by a name of the same file."""
    for file in (ROOT / "analysis").rglob("*.py"):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        named = {
            target.id: node.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Flag" and node.args:
                yield from _codes(node.args[0], named)


def _codes(first: ast.expr, named: dict[str, ast.expr]) -> Iterator[str]:
    if isinstance(first, ast.Subscript) and isinstance(first.value, ast.Name):
        first = named.get(first.value.id, first)
    elif isinstance(first, ast.Name):
        first = named.get(first.id, first)
    values = first.values if isinstance(first, ast.Dict) else [first]
    yield from (one.value for one in values if isinstance(one, ast.Constant) and isinstance(one.value, str))
