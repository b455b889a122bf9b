"""Where the repository lies: tests read sources, pages and sample runs from it."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


@cache
def tree_of(path: Path) -> ast.Module:
    """Return the syntax tree of a source file; it is parsed once and only read."""
    return ast.parse(path.read_text(encoding="utf-8"))
