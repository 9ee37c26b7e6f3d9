"""Reading the project's own source, for rules that imports alone cannot state."""

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def python_files(*patterns: str) -> list[Path]:
    """Return the project's Python files that match, in order."""
    return sorted({path for pattern in patterns for path in ROOT.glob(pattern)})


def short(path: Path) -> str:
    """Return a file's name as seen from the top of the tree."""
    return str(path.relative_to(ROOT))


def tree_of(path: Path) -> ast.Module:
    """Parse one file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def place(path: Path, node: ast.AST) -> str:
    """Return `file:line` as an editor opens it."""
    return f"{path.relative_to(ROOT)}:{getattr(node, 'lineno', 0)}"


def receiver_names(node: ast.expr) -> Iterator[str]:
    """Yield the names along a chain such as `Sample.objects.filter(...).update`, from the right to the left."""
    while True:
        if isinstance(node, ast.Call):
            node = node.func
        elif isinstance(node, ast.Attribute):
            yield node.attr
            node = node.value
        elif isinstance(node, ast.Subscript):
            node = node.value
        elif isinstance(node, ast.Name):
            yield node.id
            return
        else:
            return
