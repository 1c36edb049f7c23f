"""Further bases on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main
from tests.invented.bases import BROWN, browned


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    sm.save(browned(), tmp_path / "mine.json")
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    assert main([*words, "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_a_pour_in_a_base(capsys: pytest.CaptureFixture[str]) -> None:
    own = ["--palette", "mine.json", "--batch", "500", "--base", BROWN]
    found = said(capsys, "match", "#b8752c", *own, "--white", "0.1", "--let-down", "dusk=1/50")
    pour = sm.Pour(batch_g=500, white=0.1, base=BROWN)
    made = sm.LetDown.made("dusk", paste=1, base_g=50, base=BROWN)
    match = sm.match("#b8752c", palette=browned(), pour=pour, let_downs=[made])
    assert found["doses"] == dict(match.recipe.doses) and found["pour"] == pour.model_dump()
    seen = said(capsys, "predict", "gorse=2", *own)
    assert seen["predicted"]["hex"] == (  # type: ignore[index]
        sm.predict({"gorse": 2}, palette=browned(), pour=sm.Pour(batch_g=500, base=BROWN)).hex
    )
    assert said(capsys, "cost", "gorse=2", *own)["in_base"] == BROWN
    stack = said(capsys, "layers", "0.5/0.1:gorse=2", *own)["layers"]
    assert [layer["base"] for layer in stack] == [BROWN]  # type: ignore[attr-defined]
    there = said(capsys, "same-look", "gorse=2", "--palette", "mine.json", "--to-base", BROWN)
    assert there["pour"]["base"] == BROWN  # type: ignore[index]
    assert said(capsys, "palette", "mine.json")["bases"] == ["clear", BROWN]


def test_a_misspelt_base_is_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["match", "#b8752c", "--palette", "mine.json", "--base", "clear with vanila"]
    assert main(words) == 2
    complaint = capsys.readouterr().err
    assert f"Did you mean {BROWN}?" in complaint and "--base" in complaint
    # As the option, file or line says in which it was given.
    assert main(["same-look", "gorse=2", "--palette", "mine.json", "--to-base", "oat"]) == 2
    assert "--to-base: the palette has no such base" in capsys.readouterr().err
    assert main(["journal", "begin", "lemon"]) == 0
    assert main(["journal", "new-base", "clear"]) == 2
    assert "NAME: needs a name of its own" in capsys.readouterr().err


def test_a_journal_with_bases(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["journal", "begin", "lemon", "--bases", "oat"]) == 0
    assert main(["journal", "new-base", BROWN]) == 0
    told = (
        said(
            capsys,
            "journal",
            "pour",
            "lemon=2",
            "--batch",
            "300",
            "--base",
            BROWN,
            "--white",
            "0.2",
        )
        if capsys.readouterr()
        else {}
    )
    assert told == {"batch": 1}
    batch = sm.Journal("journal.jsonl").batches[0]
    assert batch.recipe.pour == sm.Pour(batch_g=300, white=0.2, base=BROWN)
    assert main(["journal", "pour", "lemon=2", "--batch", "300", "--base", "oats"]) == 2
    assert "Did you mean oat?" in capsys.readouterr().err
    assert main(["settings", "--palette", "mine.json", "--base", BROWN]) == 0
    assert main(["settings"]) == 0
    assert BROWN in capsys.readouterr().out
