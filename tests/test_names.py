"""Names fit a line: no control characters, no steering signs, and something to read."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm

UNSEEN = ["a\nb", "a\x1b[31mb", "a\x00b", "a\tb", "a\u2028b", "a\x85b", "a\u202eb", "\u2066a"]
BLANK = [" ", "   ", "\u00a0", "\u2003 ", "\u3000", "\u200b"]
SEEN = [
    "grün",
    "gorse 2",
    "藍",
    "سماوي",
    "crème\u00a0brûlée",
    "e\u0301",
    "🌊",
    "👩\u200d🎨",
    "\ue000",
    "\U0001faef",
]
GRID = tuple(range(380, 731, 10))


def saved(name: str, folder: Path) -> sm.Palette:
    data = sm.load_palette().to_dict()
    data["pigments"][0]["name"] = name
    (folder / "p.json").write_text(json.dumps(data), encoding="utf-8")
    return sm.load_palette(folder / "p.json")


MADE: dict[str, Callable[[str, Path], object]] = {
    "Pigment": lambda name, _: sm.Pigment(name=name, absorption=(0.5,) * 36),
    "a file": saved,
    "Tubes": lambda name, _: sm.Tubes(pigment=name, full=1),
    "Order": lambda name, _: sm.Order(name=name, target="#d9822b", bars=1),
    "LetDown": lambda name, _: sm.LetDown(pigment=name, cm_per_g=0.1),
    "Recipe": lambda name, _: sm.Recipe({name: 1.0}, sm.Pour()),
    "light": lambda name, _: sm.Illuminant(name, GRID, (1.0,) * 36),
    "TestPour": lambda name, _: sm.TestPour.from_lab({"gorse": 1}, (50, 0, 0), name=name),
    "doses": lambda name, _: sm.TestPour.from_lab({name: 1}, (50, 0, 0)),
    "pigments": lambda name, _: sm.starter_plan([name]),
}  # fmt: skip


@pytest.mark.parametrize("kind", MADE)
def test_names_are_fit_for_a_line(kind: str, tmp_path: Path) -> None:
    for name in SEEN:
        MADE[kind](name, tmp_path)
    for name in UNSEEN:
        with pytest.raises(sm.ShadematchError, match=r"can't be seen.*Leave out line breaks") as e:
            MADE[kind](name, tmp_path)
        assert e.value.value == name
        assert any(word in e.value.field for word in ("name", "pigment", "doses"))
        assert str(e.value).isprintable()
    for name in BLANK:
        with pytest.raises(sm.ShadematchError, match=r"name") as e:
            MADE[kind](name, tmp_path)
        assert e.value.value == name and e.value.remedy
        assert any(word in e.value.field for word in ("name", "pigment", "doses"))
