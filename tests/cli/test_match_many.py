"""A catalogue from the command line."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.cli.main import main

CODES = ("#d9822b", "#335577", "#8d8a83")
POUR = sm.Pour(batch_g=250)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    lines = ["name,hex", *(f"shade {i},{code}" for i, code in enumerate(CODES))]
    (tmp_path / "wanted.csv").write_text("\n".join(lines), encoding="utf-8")
    return tmp_path


def test_a_catalogue_is_matched(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["match-many", "wanted.csv", "--batch", "250"]
    assert main([*words, "--save", "out.csv", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    alone = [sm.match(code, pour=POUR) for code in CODES]
    for entry, match in zip(told["matches"], alone, strict=True):
        assert entry["doses"] == dict(match.recipe.doses)
        assert entry["delta_e"] == pytest.approx(match.delta_e, abs=1e-9) and entry["proved"]
    assert [m["source"] for m in told["matches"]] == ["shade 0", "shade 1", "shade 2"]
    with (folder / "out.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["target_hex"] for row in rows] == list(CODES) and told["saved"] == "out.csv"
    assert main([*words, "--workers", "2"]) == 0
    out = capsys.readouterr().out
    worst = max(match.delta_e for match in alone)
    assert f"at worst {worst:.2f}" in out and str(alone[0].recipe) in out
    assert main([*words, "--save", "wanted.csv"]) == 2
    assert "--save" in capsys.readouterr().err


@pytest.mark.usefixtures("folder")
def test_what_is_no_catalogue_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("bad.csv").write_text("name,hex\none,#d9822b\ntwo,#zzzzzz\n", encoding="utf-8")
    assert main(["match-many", "bad.csv"]) == 2
    assert "line 3" in capsys.readouterr().err
    Path("none.csv").write_text("name,price\none,3\n", encoding="utf-8")
    assert main(["match-many", "none.csv"]) == 2
    assert "FILE" in capsys.readouterr().err
    sm.save(sm.demo_palette(), "palette.json")
    assert main(["match-many", "palette.json"]) == 2
    assert "palette" in capsys.readouterr().err


def test_targets_are_read_however_they_are_written(tmp_path: Path) -> None:
    place = tmp_path / "t.csv"
    place.write_text("Name;L;a;b\nleaf;52,5;-30;40,25\n;;;\n", encoding="utf-8")
    (leaf,) = sm.read_targets(place)
    assert leaf.lab == (52.5, -30.0, 40.25) and leaf.source == "leaf"
    place.write_text("X,Y,Z,illuminant,observer\n20,21,22,A,10\n", encoding="utf-8")
    (found,) = sm.read_targets(place)
    assert found == sm.Target.from_xyz((20, 21, 22), illuminant="A", observer="10")
    values = np.linspace(0.1, 0.9, 36)
    heads = ",".join(f"{nm} nm" for nm in range(380, 731, 10))
    place.write_text(f"{heads}\n{','.join(map(str, values))}\n", encoding="utf-8")
    (spectral,) = sm.read_targets(place)
    np.testing.assert_allclose(spectral.reflectance, values)
    sm.save([leaf, spectral], tmp_path / "t.json")
    assert sm.read_targets(tmp_path / "t.json") == [leaf, spectral]
    for text, part in (
        ("L,a,b\n50,x,0\n", "line 2"),
        ("L,a,b\n50,,0\n", "line 2"),
        ("X,Y,Z\n0.3,0.3,0.3\n", "line 2"),
        ("hex,hex\n#fff,#fff\n", "several columns mean the same"),
        ("", "is empty"),
    ):
        place.write_text(text, encoding="utf-8")
        with pytest.raises(sm.ColourError) as no:
            sm.read_targets(place)
        assert part in str(no.value), no.value
