"""The order of the rooms, the facade, and that every room stands alone."""

from __future__ import annotations

import ast
import graphlib
import importlib
import os
import statistics
import subprocess
import sys
from pathlib import Path

import pytest

import shadematch

PACKAGE = Path(shadematch.__file__).parent

ORDER = [
    "errors",
    "_version",
    "support",
    "colour",
    "optics",
    "studio",
    "predicting",
    "photo",
    "search",
    "matching",
    "gamuts",
    "correction",
    "calibration",
    "journal",
    "planning",
    "keeping",
    "sheet",
    "plots",
    "cli",
    "__main__",
]
"""Ground to roof, and the only place where the order is written. A package takes only from those
before it, and inside a package there is no circle."""

MOST_NAMES = 60
"""At the top; results and what is rarely needed live in their rooms."""
MOST_LINES = 450
MEDIAN_LINES = 190
MOST_ARROWS = 150
"""From a package to another that it takes from."""


def rooms() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        if name.endswith("__init__"):
            continue
        found[name] = path
    return found


def imports(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("shadematch."):
            room = (node.module or "").removeprefix("shadematch.")
            package = (PACKAGE / room.replace(".", "/")).is_dir()
            names.update([f"{room}.{a.name}" for a in node.names] if package else [room])
        if isinstance(node, ast.ImportFrom) and node.module == "shadematch":
            names.update(f"facade:{alias.name}" for alias in node.names)
        if isinstance(node, ast.Import):
            names.update(
                a.name.removeprefix("shadematch.")
                for a in node.names
                if a.name.startswith("shadematch.")
            )
    return names


def package(room: str) -> str:
    return room.split(".")[0]


def test_every_package_has_its_place() -> None:
    assert {package(room) for room in rooms()} == set(ORDER)


@pytest.mark.parametrize("room", rooms())
def test_room_takes_only_from_below(room: str) -> None:
    for other in imports(rooms()[room]):
        assert not other.startswith("facade:"), f"{room} imports the facade"
        above = ORDER.index(package(other)) > ORDER.index(package(room))
        assert not above, f"{room} must not import {other}"


@pytest.mark.parametrize("room", rooms())
def test_no_import_is_hidden(room: str) -> None:
    """An import by a text would not be seen by the tests above."""
    for node in ast.walk(ast.parse(rooms()[room].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and "import_module" in ast.unparse(node.func):
            assert "shadematch" not in ast.unparse(node), f"{room} hides an import"


def test_packages_take_from_few() -> None:
    arrows = {(package(room), package(o)) for room, path in rooms().items() for o in imports(path)}
    assert len({pair for pair in arrows if pair[0] != pair[1]}) < MOST_ARROWS


def test_packages_say_what_they_know() -> None:
    for folder in PACKAGE.iterdir():
        if (folder / "__init__.py").is_file():
            text = ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8"))) or ""
            assert len(text.splitlines()) >= 3, f"{folder.name} says too little of itself"


def test_rooms_offer_all_that_others_take() -> None:
    known = rooms()
    for path in known.values():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            room = getattr(node, "module", None) or ""
            if isinstance(node, ast.ImportFrom) and room.removeprefix("shadematch.") in known:
                offered = set(importlib.import_module(room).__all__)
                assert {alias.name for alias in node.names} <= offered, (path.name, room)


def test_no_circles() -> None:
    # Raises CycleError, and names the circle, where there is one.
    order = graphlib.TopologicalSorter({room: imports(path) for room, path in rooms().items()})
    assert set(order.static_order()) == set(rooms())


def test_only_standards_imports_colour_science() -> None:
    for room, path in rooms().items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = {
            (a.name if isinstance(n, ast.Import) else n.module or "").split(".")[0]
            for n in ast.walk(tree)
            if isinstance(n, ast.Import | ast.ImportFrom)
            for a in n.names
        }
        assert ("colour" in named) == (room == "colour.standards"), room


ALONE = """
import importlib, os, sys
import numpy, pydantic, scipy.linalg, scipy.optimize, scipy.spatial, scipy.special, scipy.stats

bad = []
for room in sys.argv[1:]:
    child = os.fork()
    if not child:
        try:
            importlib.import_module("shadematch." + room)
            code = int("colour" in sys.modules)
        except BaseException:
            code = 2
        os._exit(code)
    if os.waitpid(child, 0)[1]:
        bad.append(room)
print(*bad)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a process for each room")
def test_rooms_import_alone() -> None:
    """Each from a process that has imported no other room, and without colour-science."""
    names = [room for room in rooms() if room != "__main__"]
    done = subprocess.run(
        [sys.executable, "-c", ALONE, *names], check=True, capture_output=True, text=True
    )
    assert done.stdout.split() == []


def test_rooms_are_not_crowded() -> None:
    lines = {r: len(p.read_text(encoding="utf-8").splitlines()) for r, p in rooms().items()}
    crowded = {room: count for room, count in lines.items() if count > MOST_LINES}
    assert not crowded, f"redesign {crowded}"
    assert statistics.median(lines.values()) < MEDIAN_LINES


def stub() -> dict[str, str]:
    """Room of each public name, as the stub says it."""
    tree = ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8"))
    return {
        alias.name: node.module or ""
        for node in tree.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


def test_facade_gives_what_its_stub_names() -> None:
    room_of = stub()
    assert sorted(shadematch.__all__) == sorted(room_of)
    assert len(shadematch.__all__) <= MOST_NAMES
    assert set(room_of) <= set(dir(shadematch))
    for name, room in room_of.items():
        found = getattr(shadematch, name)
        if name != "__version__":
            assert found.__name__ == name and found.__module__ == f"shadematch.{room}"
            assert found.__doc__
    with pytest.raises(AttributeError, match="nonsense"):
        shadematch.nonsense  # type: ignore[attr-defined]  # noqa: B018


def test_tests_of_public_rooms_are_found_by_name() -> None:
    for room in set(stub().values()) - {"_version", "errors"}:
        of, name = room.split(".")
        assert (PACKAGE.parent / "tests" / of / f"test_{name}.py").is_file(), room


def test_no_package_covers_a_public_name() -> None:
    """Python sets `shadematch.x` to the package x once that is imported, by anybody."""
    assert not {package(room) for room in rooms()} & set(shadematch.__all__)


def test_facade_is_light() -> None:
    code = (
        "import shadematch, sys; sys.exit(bool({'numpy', 'scipy', 'pydantic'} & set(sys.modules)))"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_names_of_files_are_plain() -> None:
    """A test that writes where it stands leaves a file that no other system can hold."""
    root = PACKAGE.parent
    folders = (root, root / "data", root / "docs", root / "notebooks", root / "tests", PACKAGE)
    odd = [p.name for folder in folders for p in folder.glob("*") if not p.name.isascii()]
    assert odd == []
