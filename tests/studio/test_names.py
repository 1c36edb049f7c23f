"""Names fit a line: no control characters, no steering signs, and something to read."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.planning.stock import Tubes
from shadematch.support.files import enveloped

UNSEEN = ["a\nb", "a\x1b[31mb", "a\x00b", "a\tb", "a\u2028b", "a\x85b", "a\u202eb", "\u2066a"]
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
    data = enveloped("palette", 1, sm.demo_palette().model_dump(mode="json"))
    data["pigments"][0]["name"] = name
    (folder / "p.json").write_text(json.dumps(data), encoding="utf-8")
    return sm.read(folder / "p.json", sm.Palette)


MADE: dict[str, Callable[[str, Path], object]] = {
    "Pigment": lambda name, _: sm.Pigment(name=name, absorption=(0.5,) * 36),
    "a file": saved,
    "Tubes": lambda name, _: Tubes(pigment=name, full=1),
    "Order": lambda name, _: sm.Order(name=name, target="#d9822b", bars=1),
    "LetDown": lambda name, _: sm.LetDown(pigment=name, paste_per_g=0.1),
    "Recipe": lambda name, _: sm.Recipe({name: 1.0}, sm.Pour(batch_g=100)),
    "light": lambda name, _: sm.Illuminant(name, GRID, (1.0,) * 36),
    "TestPour": lambda name, _: sm.TestPour.from_lab(
        {"gorse": 1}, (50, 0, 0), name=name, pour=sm.Pour(batch_g=100)
    ),
    "doses": lambda name, _: sm.TestPour.from_lab({name: 1}, (50, 0, 0), pour=sm.Pour(batch_g=100)),
}


@pytest.mark.parametrize("kind", MADE)
def test_names_are_fit_for_a_line(kind: str, tmp_path: Path) -> None:
    for name in SEEN:
        MADE[kind](name, tmp_path)
    for name in UNSEEN:
        with pytest.raises(sm.ShadematchError, match=r"invisible.*Leave out line breaks") as e:
            MADE[kind](name, tmp_path)
        assert e.value.value == name
        assert any(word in e.value.field for word in ("name", "pigment", "doses"))
        assert str(e.value).isprintable()


@pytest.mark.parametrize(
    "name", [" ", "\u00a0", "\u3000 ", "\u200b", "\u200d\u2060", "gorse ", " a"]
)
@pytest.mark.parametrize("kind", MADE)
def test_names_show_something_at_both_ends(kind: str, name: str, tmp_path: Path) -> None:
    with pytest.raises(
        sm.ShadematchError, match=r"with a space.*without spaces|(needs a|has no) name.*text"
    ) as e:
        MADE[kind](name, tmp_path)
    assert e.value.value == name


ALIKE = [
    # Canonical equivalents after Unicode Standard Annex 15, figure 3: A with ring, o with marks.
    ("\u00c5", "A\u030a"),
    ("\u212b", "\u00c5"),
    ("\u1e69", "s\u0323\u0307"),
    ("\u1e0b\u0323", "d\u0323\u0307"),
    ("sea  green", "sea green"),
    ("sea\u00a0green", "sea green"),
    ("kelp\u200b", "kelp"),
    ("kelp\u2060", "kelp"),
    ("ke\u00adlp", "kelp"),
]


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_a_palette_has_no_two_names_that_look_the_same(one: str, other: str) -> None:
    demo = sm.demo_palette()
    first, second = (
        sm.Pigment(name=n, absorption=p.absorption)
        for n, p in zip((one, other), demo.pigments, strict=False)
    )
    bases = {"clear": demo.clear, "white": demo.white}
    with pytest.raises(sm.PaletteError, match="look the same") as found:
        sm.Palette(pigments=(first, second), **bases)
    assert found.value.field == "pigments"
    # Asked for by the other, it is said why there is none.
    palette = sm.Palette(pigments=(first,), **bases)
    if one.casefold() == other.casefold():  # that is one name, however it is written
        assert sm.predict(
            {other: 1.0}, palette=palette, pour=sm.Pour(batch_g=100)
        ).recipe.doses == {one: 1.0}
    else:
        with pytest.raises(sm.UnknownNameError, match="spelt with other characters: copy it"):
            sm.predict({other: 1.0}, palette=palette, pour=sm.Pour(batch_g=100))
    assert sm.predict({one: 1.0}, palette=palette, pour=sm.Pour(batch_g=100)).recipe.doses == {
        one: 1.0
    }
