"""The shape of the sources: short functions, arguments by name, one layout."""

import ast

from tests.repository import ROOT, sources

LONG = 40  # lines of a function, its docstring apart
MANY = 7  # arguments without a name in one call
MARK = "# fmt" + ": skip"


def lines_of(function):
    """Count the lines of a function without those of its docstring."""
    first = function.body[0]
    words = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str)
    docstring = first.end_lineno - first.lineno + 1 if words else 0
    return function.end_lineno - function.lineno + 1 - docstring


def test_hardly_a_function_is_long(source_nodes):
    long = [
        f"{path}:{node.lineno} {node.name}"
        for path, nodes in source_nodes.items()
        for node in nodes
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and lines_of(node) > LONG
    ]
    assert len(long) <= 12, long


def test_no_call_lists_many_values_without_their_names(source_nodes):
    unnamed = [
        f"{path}:{node.lineno}"
        for path, nodes in source_nodes.items()
        for node in nodes
        if isinstance(node, ast.Call) and sum(not isinstance(a, ast.Starred) for a in node.args) >= MANY
    ]
    assert unnamed == []


def test_the_formatter_lays_out_nearly_everything():
    excepted = [path for path in sources() if MARK in path.read_text(encoding="utf-8")]
    excepted += [path for path in (ROOT / "tests").rglob("*.py") if MARK in path.read_text(encoding="utf-8")]
    assert len(excepted) <= 20, excepted
