"""Code spoilt on purpose: one comparison, one `and` or `or` the other way.

A spoilt function replaces the code object of the real one while a test looks, and goes back.
"""

from __future__ import annotations

import ast
import copy
import inspect
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import CodeType, FunctionType, ModuleType
from typing import Any

OTHER_OPERATOR: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip


def functions(module: ModuleType) -> Iterator[FunctionType]:
    """The functions and methods that a module defines."""
    for value in vars(module).values():
        if inspect.isfunction(value) and value.__module__ == module.__name__:
            yield value
        elif inspect.isclass(value) and value.__module__ == module.__name__:
            for method in vars(value).values():
                if inspect.isfunction(method) and method.__module__ == module.__name__:
                    yield method


def mutants(module: ModuleType) -> Iterator[tuple[str, FunctionType, CodeType]]:
    """Each spoilt function: where and what, the function, the code to put in its place."""
    source = inspect.getsource(module)
    tree = ast.parse(source)
    known = {one.__qualname__: one for one in functions(module)}
    for number, node in enumerate(ast.walk(tree)):
        for what, spoil in _ways(node):
            changed = copy.deepcopy(tree)
            spoil(next(one for place, one in enumerate(ast.walk(changed)) if place == number))
            code = compile(ast.fix_missing_locations(changed), module.__file__ or "", "exec")
            owner = _owner(known, getattr(node, "lineno", 0))
            if owner is None:
                continue
            found = _code_of(code, owner.__qualname__)
            if found is not None:
                name = module.__name__.rpartition(".")[2]
                yield f"{name}.{owner.__qualname__}: {what}", owner, found


@contextmanager
def spoilt(function: FunctionType, code: CodeType) -> Iterator[None]:
    """The function with other code, for as long as the block runs."""
    before = function.__code__
    function.__code__ = code
    try:
        yield
    finally:
        function.__code__ = before


def _ways(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], None]]]:
    if isinstance(node, ast.Compare):
        for place, operator in enumerate(node.ops):
            other = OTHER_OPERATOR[type(operator)]

            def swap(one: ast.Compare, place: int = place, other: type[ast.cmpop] = other) -> None:
                one.ops[place] = other()

            yield f"{type(operator).__name__} -> {other.__name__} in {ast.unparse(node)}", swap
    elif isinstance(node, ast.BoolOp):

        def join(one: ast.BoolOp) -> None:
            one.op = ast.Or() if isinstance(one.op, ast.And) else ast.And()

        yield f"and <-> or in {ast.unparse(node)}", join


def _owner(known: dict[str, FunctionType], line: int) -> FunctionType | None:
    for one in known.values():
        first = one.__code__.co_firstlineno
        last = max((entry[2] or first for entry in one.__code__.co_lines()), default=first)
        inner = [c for c in one.__code__.co_consts if isinstance(c, CodeType)]
        last = max([last, *(entry[2] or 0 for c in inner for entry in c.co_lines())])
        if first <= line <= last:
            return one
    return None


def _code_of(code: CodeType, qualname: str) -> CodeType | None:
    for const in code.co_consts:
        if isinstance(const, CodeType):
            if const.co_qualname == qualname:
                return const
            found = _code_of(const, qualname)
            if found is not None:
                return found
    return None
