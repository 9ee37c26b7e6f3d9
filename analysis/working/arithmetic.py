"""Plain arithmetic on named numbers: what a reader with a calculator does with a printed formula."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping

_OPERATORS: Mapping[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}


def evaluate(formula: str, values: Mapping[str, float]) -> float:
    """The value of a formula of names, numbers, + - * / ^, brackets and sqrt; nan where it divides by zero."""
    try:
        return _value(ast.parse(formula.replace("^", "**"), mode="eval").body, values)
    except ZeroDivisionError:
        return math.nan


def names(formula: str) -> list[str]:
    """The names in a formula, each once, in the order they come."""
    tree = ast.parse(formula.replace("^", "**"), mode="eval")
    found = [node for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id != "sqrt"]
    return list(dict.fromkeys(node.id for node in sorted(found, key=lambda node: node.col_offset)))


def _value(node: ast.expr, values: Mapping[str, float]) -> float:
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        return float(node.value)
    if isinstance(node, ast.Name):
        return values[node.id]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return -_value(node.operand, values)
    if isinstance(node, ast.BinOp):
        return _OPERATORS[type(node.op)](_value(node.left, values), _value(node.right, values))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "sqrt":
        return math.sqrt(_value(node.args[0], values))
    raise ValueError(f"not plain arithmetic: {ast.unparse(node)}")
