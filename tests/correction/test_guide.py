"""The guide's example runs as it stands, and says what the guide says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.keeping.repeat import Repeat

GUIDE = (Path(__file__).parents[2] / "docs" / "batch-sheet.md").read_text(encoding="utf-8")


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
    assert "the melt looks far darker than the bar" in out
    assert "The palette has not changed. The colour is the same." in out
    assert "The palette has changed since: rosehip differs." in out
    assert "Match the target again" in out
    assert {p.name for p in tmp_path.iterdir()} == {
        f"{order}.{suffix}"
        for order in ("harbour-lights", "slack-water", "heather-bank")
        for suffix in ("json", "html")
    }
    # What the guide is about: far closer to the first batch than the old recipe would come.
    renewed, again = sm.read("harbour-lights.json"), names["again"]
    assert isinstance(again, Repeat)
    assert renewed.delta_e is not None
    assert again.delta_e is not None
    assert renewed.delta_e < again.delta_e / 3
    assert sm.demo_palette().fingerprint in GUIDE


def test_the_commands_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    sm.save(sm.demo_palette(), "mine.json")
    sm.copy_samples(tmp_path)
    for line in blocks("sh")[0].splitlines():
        program, *words = shlex.split(line)
        assert program == "shadematch"
        assert main(words) == 0, line
    assert capsys.readouterr().err == ""
    assert Path("harbour-lights.html").exists()
