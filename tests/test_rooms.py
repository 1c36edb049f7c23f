"""The order of the rooms, the facade, and that every room stands alone."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import shadematch

PACKAGE = Path(shadematch.__file__).parent

# Ground to roof; rooms of one line are siblings and don't import each other.
ORDER = (
    (
        "_version",
        "arrays",
        "cautions",
        "errors",
        "html",
        "sheet.drawing",
        "sheet.words",
        "strips",
    ),
    (
        "cli.printing",
        "colorimetry",
        "difference",
        "files",
        "gamut.faces",
        "gamut.solid",
        "models",
        "optics.transport",
        "planning.solver",
        "plots.paper",
        "readers",
        "search.boxes",
        "search.region",
        "standards",
    ),
    (
        "calibration.spectra",
        "materials",
        "optics.table",
        "photo.profile",
        "planning.programme",
        "photo.uncertainty",
    ),
    (
        "optics.layer",
        "photo.reading",
        "planning.stock",
    ),
    (
        "optics.stack",
        "photo.regions",
        "pour",
    ),
    (
        "calibration.forward",
        "correction.belief",
        "photo.drawing",
        "photo.light",
        "prediction",
        "saved_form",
        "target",
    ),
    (
        "calibration.testpour",
        "gamut.ladder",
        "gamut.targets",
        "layers",
        "photo.chart",
        "photo.proposal",
        "planning.cost",
        "planning.orders",
        "pot",
        "search.space",
        "squeezes",
    ),
    (
        "calibration.fit",
        "calibration.rows",
        "photo.target",
        "planning.books",
        "plots.ladder",
        "search.bounds",
        "search.crowd",
        "search.ideal",
        "search.minimax",
        "search.rounding",
        "spread",
        "wedge",
    ),
    (
        "calibration.files",
        "calibration.identify",
        "calibration.intervals",
        "calibration.robust",
        "gamut.floor",
        "plots.layers",
        "search.lattice",
        "search.real",
    ),
    (
        "search.near",
        "search.whole",
        "search.within",
    ),
    (
        "correction.additions",
        "search.catalogue",
        "search.several",
    ),
    (
        "correction.results",
        "search.answer",
    ),
    (
        "correction.correct",
        "search.joint",
    ),
    ("question",),
    (
        "cli.words",
        "gamut.region",
        "planning.options",
        "planning.result",
        "steady",
    ),
    (
        "cli.palette",
        "cli.photo",
        "cli.predict",
        "cli.wedge",
        "gamut.feasibility",
        "gamut.slices",
        "match",
        "planning.plan",
        "plots.plan",
    ),
    (
        "batches",
        "calibration.result",
        "cli.layers",
        "cli.plan",
        "exchange",
        "gamut.reach",
        "look",
        "many",
        "metamerism",
        "plots.feasibility",
        "plots.gamut",
        "saved",
    ),
    (
        "calibration.calibrate",
        "calibration.design",
        "calibration.lot",
        "cli.feasibility",
        "cli.lights",
        "cli.smallest_batch",
        "correction.memory",
        "letdown",
        "plots.match",
        "plots.solid",
        "repeat",
        "sheet.content",
    ),
    (
        "cli.calibrate",
        "cli.gamut",
        "cli.let_down",
        "cli.repeat",
        "sheet.layout",
        "sheet.plain",
    ),
    (
        "cli.correct",
        "cli.cost",
        "cli.match",
        "cli.pot",
        "cli.same_look",
        "cli.spread",
        "sheet.page",
    ),
    ("sheet.batch",),
    ("cli.sheet",),
    ("cli.main",),
    ("__main__",),
)
LEVEL = {room: level for level, rooms in enumerate(ORDER) for room in rooms}


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


@pytest.mark.parametrize("room", rooms())
def test_room_imports_only_from_below(room: str) -> None:
    assert room in LEVEL, f"{room} has no place in the order"
    for other in imports(rooms()[room]):
        assert not other.startswith("facade:"), f"{room} imports the facade"
        assert LEVEL[other] < LEVEL[room], f"{room} must not import {other}"


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


def test_facade_is_complete() -> None:
    public = {name for name in vars(shadematch) if not name.startswith("_")}
    packages = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    modules = {room.split(".")[0] for room in rooms()} | packages
    # Rooms that share their name with what they give.
    same = {name for name in modules & public if not inspect.ismodule(vars(shadematch)[name])}
    assert set(shadematch.__all__) - {"__version__"} == public - (modules - same)
    assert list(shadematch.__all__) == sorted(shadematch.__all__)
