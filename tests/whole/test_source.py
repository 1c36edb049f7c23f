"""How the library and its tests are written, as far as their syntax tells."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import shadematch

PACKAGE = Path(shadematch.__file__).parent
TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent

MOST_BY_PLACE = 5
"""Positional arguments of one call."""


def trees(folder: Path, pattern: str = "*.py") -> dict[str, ast.Module]:
    return {
        ".".join(path.relative_to(folder).with_suffix("").parts): ast.parse(
            path.read_text(encoding="utf-8")
        )
        for path in sorted(folder.rglob(pattern))
    }


def name_of(call: ast.Call) -> str:
    return ast.unparse(call.func).rsplit(".", 1)[-1]


def calls(tree: ast.AST) -> Iterator[ast.Call]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.Call))


def test_long_calls_are_written_with_keywords() -> None:
    """Of own functions and classes, as far as their names tell; a list of words may be longer."""
    places = (PACKAGE, TESTS, ROOT / "docs", ROOT / "data")
    read = [(place.name, *found) for place in places for found in trees(place).items()]
    made = [n for *_, tree in read for n in ast.walk(tree)]
    functions = [n for n in made if isinstance(n, ast.FunctionDef)]
    lists = {f.name for f in functions if f.args.vararg}
    own = {f.name for f in functions} | {n.name for n in made if isinstance(n, ast.ClassDef)}
    long = [
        (place, room, call.lineno, name_of(call))
        for place, room, tree in read
        for call in calls(tree)
        if len(call.args) > MOST_BY_PLACE and name_of(call) in own - lists | {"cls"}
    ]
    assert not long


def checks(function: ast.FunctionDef, helpers: dict[str, ast.FunctionDef]) -> bool:
    """Whether it asserts or expects an error or warning, itself or in what it calls."""
    open_, known = [function], {function.name}
    while open_:
        for node in ast.walk(open_.pop()):
            if isinstance(node, ast.Assert):
                return True
            if isinstance(node, ast.Call):
                name = name_of(node)
                if name in ("raises", "warns", "fail") or name.startswith("assert_"):
                    return True
                if name == "run" and "check=True" in map(ast.unparse, node.keywords):
                    return True
                if name in helpers and name not in known:
                    known.add(name)
                    open_.append(helpers[name])
    return False


@pytest.mark.parametrize("room", trees(TESTS, "test_*.py"))
def test_every_test_can_fail(room: str) -> None:
    tree = trees(TESTS, f"{room.rsplit('.', 1)[-1]}.py")[room]
    functions = {n.name: n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}
    idle = [
        name
        for name, function in functions.items()
        if name.startswith("test_") and not checks(function, functions)
    ]
    assert not idle


ALIKE = {"add_verb", "delta_e"}
"""Of every verb; of colours in any form, and of arrays."""


def offered(tree: ast.Module) -> set[str]:
    """Names that a room defines itself and offers, and all of its classes but private ones."""
    made, names = set(), set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            made.add(node.name)
        elif isinstance(node, ast.AnnAssign):
            made.add(ast.unparse(node.target))
        elif isinstance(node, ast.Assign):
            made.update(map(ast.unparse, node.targets))
            if ast.unparse(node.targets[0]) == "__all__":
                names = set(ast.literal_eval(node.value))
    return {n for n in made if n in names or (n[:1].isupper() and not n.isupper())}


def test_one_word_names_one_thing() -> None:
    rooms_of: dict[str, list[str]] = {}
    for room, tree in trees(PACKAGE, "[!_]*.py").items():
        for name in offered(tree):
            rooms_of.setdefault(name, []).append(room)
    assert {n: rooms for n, rooms in rooms_of.items() if len(rooms) > 1}.keys() == ALIKE
