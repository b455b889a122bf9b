"""Where the repository lies: tests read sources, pages and sample runs from it."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


@cache
def tree_of(path: Path) -> ast.Module:
    """Return the syntax tree of a source file; it is parsed once and only read."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Return all nodes of a source file's tree, collected once and only read."""
    return tuple(ast.walk(tree_of(path)))


@cache
def sources() -> tuple[Path, ...]:
    """Return every source file of ours, tests left out."""
    return tuple(path for package in ("daq", "analysis", "cli") for path in sorted((ROOT / package).rglob("*.py")))
