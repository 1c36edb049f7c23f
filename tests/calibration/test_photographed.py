"""Test pours whose readings are photos, from a table."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main

image = pytest.importorskip("PIL.Image")

BARS = {"one": ("gorse=2", (200, 170, 30)), "two": ("rosehip=3", (200, 60, 90))}
HEAD = "name,batch_g,dose_cm:gorse,dose_cm:rosehip,photo,region,neutral\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lines = []
    for name, (dose, colour) in BARS.items():
        # The bar on half of a picture whose other half is paper.
        picture = image.new("RGB", (200, 100), (240, 240, 240))
        picture.paste(colour, (0, 0, 100, 100))
        picture.save(tmp_path / f"{name}.png")
        pigment, _, amount = dose.partition("=")
        doses = f"{amount if pigment == 'gorse' else ''},{amount if pigment == 'rosehip' else ''}"
        lines.append(f'{name},500,{doses},{name}.png,"10,10,90,90","110,10,190,90"')
    (tmp_path / "bars.csv").write_text(HEAD + "\n".join(lines), encoding="utf-8")
    return tmp_path


def test_a_table_may_name_photos(folder: Path) -> None:
    for pour in sm.read_test_pours(folder / "bars.csv"):
        seen = sm.read_photo(
            folder / f"{pour.name}.png",
            region="10,10,90,90",
            neutral=sm.Neutral("110,10,190,90"),
        )
        same = sm.TestPour.from_target(dict(pour.doses), seen, pour=pour.pour, name=pour.name)
        assert pour.lab == same.lab and pour.covariance == same.covariance
        assert pour.pour.batch_g == 500


def test_photos_are_calibrated_from_the_command_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    status = main(["calibrate", "bars.csv", "data-of-blanks.csv", "--json"])
    assert status == 2 and "data-of-blanks.csv" in capsys.readouterr().err
    blank = image.new("RGB", (200, 100), (236, 234, 228))
    blank.paste((240, 240, 240), (100, 0, 200, 100))
    blank.save(folder / "blank.png")
    with (folder / "bars.csv").open("a", encoding="utf-8") as file:
        file.write('\nclear,500,,,blank.png,"10,10,90,90","110,10,190,90"\n')
    assert main(["calibrate", "bars.csv", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [p["name"] for p in told["pigments"]] == ["gorse", "rosehip"]


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (',"10,10,90,90","110,10,190,90"', "the photo is not named"),
        ('one.png,,"110,10,190,90"', "where the bar is"),
        ('gone.png,"10,10,90,90",', "line 2"),
        ('one.png,"10,10,90",', "region"),
        (",,", "no reading in this line"),
    ],
)
def test_what_is_wrong_is_named(cells: str, said: str, folder: Path) -> None:
    place = folder / "wrong.csv"
    place.write_text(HEAD + f"one,500,2,,{cells}\n", encoding="utf-8")
    with pytest.raises(sm.PourError) as no:
        sm.read_test_pours(place)
    assert said in str(no.value) and "line 2" in str(no.value)
