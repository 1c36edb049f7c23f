"""The order of the rooms, the facade, and that every room stands alone."""

from __future__ import annotations

import ast
import fnmatch
import graphlib
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import shadematch

PACKAGE = Path(shadematch.__file__).parent

# Ground to roof. A room imports from floors below its own, and from its own without a circle.
FLOORS = (
    "_version arrays cautions deprecation errors files html illuminant models readers samples "
    "standards strips",
    "colorimetry difference",
    "optics.*",
    "materials pour target",
    "layers pot prediction readings spread squeezes wedge",
    "photo.*",
    "search.*",
    "many match question steady",
    "batches letdown look metamerism",
    "gamut.*",
    "correction.*",
    "calibration.*",
    "planning.*",
    "exchange.* repeat rounds saved saved_form",
    "sheet.*",
    "plots.*",
    "__main__ cli.*",
)


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


def floor_of(room: str) -> int:
    found = [
        level
        for level, floor in enumerate(FLOORS)
        if any(fnmatch.fnmatchcase(room, pattern) for pattern in floor.split())
    ]
    assert len(found) == 1, f"{room} must stand on one floor"
    return found[0]


@pytest.mark.parametrize("room", rooms())
def test_room_imports_only_from_below(room: str) -> None:
    for other in imports(rooms()[room]):
        assert not other.startswith("facade:"), f"{room} imports the facade"
        assert floor_of(other) <= floor_of(room), f"{room} must not import {other}"


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
        assert ("colour" in named) == (room == "standards"), room


@pytest.mark.parametrize("room", rooms())
def test_room_imports_alone(room: str) -> None:
    if room == "__main__":
        return
    code = f"import shadematch.{room}, sys; sys.exit('colour' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_rooms_are_not_crowded() -> None:
    for room, path in rooms().items():
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 500, f"{room} has {lines} lines; redesign it"


def stub() -> tuple[dict[str, str], list[str]]:
    """Room of each name in the stub, and its ``__all__``."""
    tree = ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8"))
    room_of = {}
    listed: list[str] = []
    for node in tree.body:
        if isinstance(node, ast.ImportFrom):
            room = (node.module or "").removeprefix("shadematch.")
            room_of |= {alias.name: room for alias in node.names}
        if isinstance(node, ast.Assign):
            listed = ast.literal_eval(node.value)
    return room_of, listed


def test_facade_and_its_stub_say_the_same() -> None:
    room_of, listed = stub()
    assert room_of == shadematch._ROOM_OF  # type: ignore[attr-defined]
    assert listed == shadematch.__all__ == sorted({*room_of, "__version__"})


def test_facade_gives_what_it_names() -> None:
    assert set(shadematch.__all__) <= set(dir(shadematch))
    for name, room in stub()[0].items():
        found = getattr(shadematch, name)
        assert found.__name__ == name and found.__module__ == f"shadematch.{room}"
        assert found.__doc__
    with pytest.raises(AttributeError, match="nonsense"):
        shadematch.nonsense  # type: ignore[attr-defined]  # noqa: B018


def test_facade_is_light_and_rooms_do_not_cover_its_names() -> None:
    """In a fresh process: nothing heavy comes with the facade; rooms imported first or last."""
    same = sorted({room.split(".")[0] for room in rooms()} & set(shadematch.__all__))
    assert "match" in same and "gamut" in same
    code = f"""
import sys, types
import shadematch
assert not {{"numpy", "scipy", "pydantic"}} & set(sys.modules)
import shadematch.gamut.reach, shadematch.repeat, shadematch.sheet.batch
for name in {same}:
    assert isinstance(sys.modules.get("shadematch." + name, shadematch), types.ModuleType)
    assert not isinstance(getattr(shadematch, name), types.ModuleType), name
try:
    shadematch.Target.from_photo("nowhere.jpg", region=(0, 0, 1, 1))
except shadematch.PhotoError:
    pass  # and not because nobody reads photos
from shadematch import match
from shadematch.match import match as the_same
assert match is the_same and shadematch.match is match
"""
    subprocess.run([sys.executable, "-c", code], check=True)


def test_names_of_files_are_plain() -> None:
    """A test that writes where it stands leaves a file that no other system can hold."""
    root = PACKAGE.parent
    folders = (root, root / "data", root / "docs", root / "notebooks", root / "tests", PACKAGE)
    odd = [p.name for folder in folders for p in folder.glob("*") if not p.name.isascii()]
    assert odd == []
