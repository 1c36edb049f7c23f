"""The order of the rooms, the facade, and that every room stands alone."""

from __future__ import annotations

import ast
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
        "deprecation",
        "errors",
        "html",
        "sheet.drawing",
        "sheet.words",
        "strips",
    ),
    ("readers",),
    ("illuminant",),
    (
        "cli.printing",
        "colorimetry",
        "difference",
        "files",
        "gamut.faces",
        "gamut.solid",
        "models",
        "optics.transport",
        "planning.programme",
        "plots.paper",
        "search.boxes",
        "search.region",
        "standards",
    ),
    (
        "calibration.spectra",
        "materials",
        "optics.table",
        "photo.profile",
        "photo.uncertainty",
        "samples",
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
        "saved_form",
        "search.space",
        "spread",
    ),
    (
        "calibration.fit",
        "calibration.rows",
        "exchange.catalogue",
        "exchange.spectra",
        "photo.target",
        "planning.books",
        "plots.ladder",
        "search.bounds",
        "search.crowd",
        "search.ideal",
        "search.minimax",
        "search.rounding",
        "wedge",
    ),
    (
        "calibration.files",
        "calibration.identify",
        "exchange.schemas",
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
        "cli.correct",
        "cli.palette",
        "cli.photo",
        "cli.pot",
        "cli.predict",
        "cli.samples",
        "cli.spread",
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
        "exchange.tables",
        "gamut.reach",
        "look",
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
        "cli.same_look",
        "cli.smallest_batch",
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
        "cli.match",
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
