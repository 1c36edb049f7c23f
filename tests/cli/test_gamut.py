"""The verbs gamut and feasibility."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main


def test_verb_gamut(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "cut.png"
    words = ["gamut", "#b08060", "--white", "0.5", "--coverage", "munsell", "--within", "2"]
    words += ["--save", str(picture), "--hue", "40"]
    mine = tmp_path / "cut.png.part"
    mine.write_text("mine")
    assert main(words) == 0
    text = capsys.readouterr().out
    found = sm.gamut(pour=sm.Pour(batch_g=100, white=0.5))
    assert str(found.volume) in text and found.nearest("#b08060").sentence in text
    assert found.coverage("munsell", within=2.0).sentence in text
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert {p.name for p in tmp_path.iterdir()} == {"cut.png", mine.name}
    assert mine.read_text() == "mine"
    assert main(["gamut", "#b08060", "--white", "0.5", "--json"]) == 0
    entries = json.loads(capsys.readouterr().out)
    assert entries["targets"][0]["delta_e"] == found.distance("#b08060")
    assert entries["volume"] == {"value": found.volume.value, "error": found.volume.error}


def test_verb_feasibility(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "map.svg"
    words = ["feasibility", "#7fb069", "--thicknesses", "1,2", "--white", "0.5"]
    words += ["--without", "jetty", "--save", str(picture)]
    assert main([*words, "--json"]) == 0
    entries = json.loads(capsys.readouterr().out)
    found = sm.feasibility("#7fb069", thicknesses_cm=(1, 2), whites=(0.5,))
    assert entries["sentence"] == found.sentence
    assert [c["delta_e"] for c in entries["cells"]] == found.delta_e.ravel().tolist()
    assert "jetty" not in entries["without"]["best"]["doses"]
    assert b"<svg" in picture.read_bytes()
    assert main(words) == 0
    assert found.sentence in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["gamut", "--lightness", "50"], "--save"),
        (["gamut", "--save", "cut.gif"], "--save"),
        (["gamut", "--save", "/nowhere/cut.png"], "--save"),
        (["gamut", "--coverage", "munsell", "--within", "nan"], "--within"),
        (["gamut", "--within", "2"], "--within: has no meaning without --coverage"),
        (["feasibility", "#7fb069", "--whites", "0", "--white", "1"], "--white: has no meaning"),
        (["gamut", "--lightness", "200", "--save", "cut.png"], "--lightness"),
        (["feasibility", "#7fb069", "--thicknesses", "1,x"], "--thicknesses"),
        (["feasibility", "#7fb069", "--whites", "2", "--thicknesses", "1"], "--white"),
        (["feasibility", "#7fb069", "--save", "map.gif"], "--save"),
        (["feasibility", "#7fb069", "--without", "dust", "--thicknesses", "1"], "no such pigment"),
    ],
)
def test_verbs_refuse(
    words: list[str],
    named: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert named in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
