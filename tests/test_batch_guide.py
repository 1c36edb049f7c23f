"""The guide's example runs as it stands, and says what the guide says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main

GUIDE = (Path(__file__).parent.parent / "docs" / "batch-sheet.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", GUIDE, re.MULTILINE | re.DOTALL)


def test_the_example_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec("\n".join(blocks("python")), names)
    out = capsys.readouterr().out
    assert out.count("CIEDE2000 0.") + out.count("CIEDE2000 1.") >= 4
    assert "the melt looks far darker" in str(
        sm.in_the_pot({"gorse": 9}, pour=sm.Pour(batch_g=900))
    )
    assert "The palette is as it was. The colour is the same." in out
    assert "The palette has changed since: rosehip differs." in out
    assert "Match the target anew" in out
    assert {p.name for p in tmp_path.iterdir()} == {
        f"{order}.{suffix}"
        for order in ("harbour-lights", "slack-water", "heather-bank")
        for suffix in ("json", "html")
    }
    renewed = sm.load("harbour-lights.json")
    assert renewed.delta_e is not None
    assert renewed.delta_e < 1.0
    assert sm.load_palette().fingerprint in GUIDE


def test_the_commands_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    sm.load_palette().save("mine.json")
    for line in blocks("sh")[0].splitlines():
        program, *words = shlex.split(line)
        assert program == "shadematch"
        assert main(words) == 0, line
    assert capsys.readouterr().err == ""
    assert Path("harbour-lights.html").exists()
