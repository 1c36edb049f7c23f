"""What is said to people who stumble: the field as they know it, and a remedy that helps."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import shadematch as sm
from shadematch.cli.main import main
from shadematch.planning.stock import Tubes

GORSE = sm.demo_palette()
GRID = list(range(380, 731, 10))
LAB = (50.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("call", "field", "remedy"),
    [
        (lambda: sm.View(observer=[10]), "observer", "Give degrees, such as 2"),
        (lambda: sm.Target.from_lab(LAB, observer=None), "observer", "Give degrees, such as 2"),
        (lambda: sm.Pour(batch_g=100, white=50), "white", "It is a fraction: 50 % is 0.5"),
        (lambda: sm.Pour(batch_g=100, white=500), "white", "Give 1 or less"),
        (lambda: sm.LetDown(pigment="a", paste_per_g=1, white=5), "white", "5 % is 0.05"),
        (lambda: sm.Pour(1000), "Pour", r"Write Pour\(batch_g=...\)"),
        (lambda: sm.View("D50"), "View", r"Write View\(illuminant=...\)"),
        (lambda: Tubes("gorse", 1), "Tubes", r"Write Tubes\(pigment=...\)"),
        (lambda: GORSE.only(["gorse"]), "pigment", "one after the other.*put a \\*"),
        (lambda: GORSE.without(("gorse",)), "pigment", "one after the other.*put a \\*"),
        (lambda: sm.Target.from_lab(("50", 0, 0)), "lab", "numbers, without quotation marks"),
        (lambda: sm.Target.from_lab((True, 0, 0)), "lab", "numbers, without quotation marks"),
        (lambda: sm.Target.from_lab(np.array(["50", "0", "0"])), "lab", "without quotation marks"),
        (lambda: sm.Target.from_xyz(("20", 20, 20)), "xyz", "without quotation marks"),
        (lambda: sm.Target.from_srgb((True, 0, 0)), "srgb", "without quotation marks"),
        (lambda: sm.Target((50, 0, "1")), "lab", "without quotation marks"),
        (lambda: sm.Target.from_reflectance(GRID, ["0.5"] * 36), "reflectance", "quotation marks"),
        (lambda: sm.Target.from_reflectance(GRID, [0.5] * 35 + [True]), "reflectance", "quotation"),
        (
            lambda: sm.Target.from_reflectance(list(map(str, GRID)), [0.5] * 36),
            "reflectance",
            "quotation marks",
        ),
    ],
)
def test_the_remedy_helps(call: Callable[[], Any], field: str, remedy: str) -> None:
    with pytest.raises(sm.ShadematchError, match=remedy) as found:
        call()
    assert found.value.field == field


def test_numbers_of_numpy_are_numbers() -> None:
    for made in (np.array(LAB), np.float32(LAB), [np.int64(50), 0, 0]):
        assert sm.Target.from_lab(made).lab == LAB
    assert sm.Target.from_reflectance(np.array(GRID), np.full(36, 0.5)).lab[0] > 70


@pytest.mark.parametrize("alpha", [0, 128])
def test_what_is_transparent_is_named(alpha: int, tmp_path: Path) -> None:
    Image.new("RGBA", (60, 60), (200, 120, 40, alpha)).save(tmp_path / "a.png")
    with pytest.raises(sm.PhotoError, match=r"are transparent\).*Save the photo without transp"):
        sm.read_photo(tmp_path / "a.png", region=(0.2, 0.2, 0.8, 0.8))


def full(*_: object, **__: object) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "p.json"
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(sm.ShadematchError, match=r"No space left.*The disk is full"):
            sm.save(GORSE, place)
        assert not list(tmp_path.iterdir())
    with pytest.raises(sm.ShadematchError, match="Choose a folder that exists"):
        sm.save(GORSE, tmp_path / "none" / "p.json")


DATA = Path(__file__).parents[2] / "data"


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (
            ("match", "#d9822b", "--save", "there.json"),
            ("--save: another file is there", "Choose another"),
        ),
        (("match", "#d9822b", "--save", "a.json", "--note", "a\udcff"), ("--note: has a broken",)),
        (("match", "#d9822b", "--save", "none/a.json"), ("--save: can't", "Choose a folder")),
    ],
)
def test_the_option_is_named(
    words: tuple[str, ...],
    parts: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.json").write_text("filled in", encoding="utf-8")
    assert main(words) == 2
    said = capsys.readouterr().err
    for part in parts:
        assert part in said
    assert [p.name for p in tmp_path.iterdir()] == ["there.json"]
    assert (tmp_path / "there.json").read_text(encoding="utf-8") == "filled in"


@pytest.mark.parametrize("option", ["--save", "--save-palette"])
def test_calibrate_names_the_option(
    option: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pours = str(DATA / "test-pours-lab.csv")
    assert main(("calibrate", pours, option, str(tmp_path / "none" / "a.json"))) == 2
    assert f"error: {option}: can't be written" in capsys.readouterr().err
