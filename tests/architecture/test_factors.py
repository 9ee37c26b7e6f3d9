"""Units change in `analysis/units.py` only: no factor or offset of a unit stands anywhere else in the science."""

import ast

import pytest

from tests.architecture.source import place, python_files, short, tree_of

ZERO_CELSIUS = 273.15
FACTORS = frozenset({1e-12, 1e-9, 1e-6, 1e-4, 1e-3, 1e3, 1e4, 1e6, 1e9, 60.0, 3600.0, 86400.0})
# A relative tolerance is a pure number: it may be multiplied with what it is a part of.
TOLERANCE_WORDS = ("tolerance", "slack", "tiny")
EXEMPT = frozenset({"analysis/units.py", "analysis/quantities.py", "analysis/constants.py"})
SCIENCE = [path for path in python_files("analysis/**/*.py") if not str(path).endswith(tuple(EXEMPT))]


def unit_factors(tree: ast.AST) -> list[ast.AST]:
    """Return the numbers that look like the factor or the offset of a unit."""
    parts = _tolerances(tree)
    return [
        node
        for node in ast.walk(tree)
        if node not in parts and (_is_number(node, {ZERO_CELSIUS}) or _scales_by_factor(node))
    ]


def _scales_by_factor(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.BinOp)
        and isinstance(node.op, ast.Mult | ast.Div)
        and any(_is_number(side, FACTORS) for side in (node.left, node.right))
    )


def _is_number(node: ast.AST, wanted: frozenset[float] | set[float]) -> bool:
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
        and float(node.value) in wanted
    )


def _tolerances(tree: ast.AST) -> set[ast.AST]:
    """Return the nodes inside comparisons and inside what is named a tolerance."""
    inside: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) or (isinstance(node, ast.Assign | ast.AnnAssign) and _names_tolerance(node)):
            inside.update(ast.walk(node))
    return inside


def _names_tolerance(node: ast.Assign | ast.AnnAssign) -> bool:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return any(word in ast.unparse(target).lower() for target in targets for word in TOLERANCE_WORDS)


@pytest.mark.parametrize("path", SCIENCE, ids=short)
def test_no_unit_is_converted_outside_the_border(path):
    found = [f"{place(path, node)} ({ast.unparse(node)})" for node in unit_factors(tree_of(path))]
    assert not found, f"convert by analysis.units, at the border: {'; '.join(found)}"


@pytest.mark.parametrize("line", ["t = c + 273.15", "f(power * 1000)", "x = gap / 1e-6", "minutes = s / 60"])
def test_a_factor_is_recognised(line):
    assert unit_factors(ast.parse(line))


@pytest.mark.parametrize(
    "line", ["rows = 1000", "if abs(a - b) <= 1e-9 * a: pass", "tolerance = 1e-6 * w", "x = y * 2"]
)
def test_a_count_or_a_tolerance_is_left_alone(line):
    assert not unit_factors(ast.parse(line))
