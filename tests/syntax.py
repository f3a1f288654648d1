"""Modules as syntax trees, parsed once for all tests that read them."""

import ast
from functools import cache
from pathlib import Path


@cache
def tree(path: Path) -> ast.Module:
    """Syntax tree of a module."""
    return ast.parse(path.read_text())


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """All nodes of the syntax tree of a module."""
    return tuple(ast.walk(tree(path)))
