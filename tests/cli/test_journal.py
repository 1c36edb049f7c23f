"""A journal on the command line, from an empty folder on."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm
from tests.invented.studio import NAMES, Bench

Run = Callable[..., tuple[int, str, str]]


def test_the_whole_way(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bench = Bench()

    def said(*words: str) -> str:
        status, out, err = run(*words)
        assert (status, err) == (0, ""), words
        return " ".join(out.split())

    def told(*words: str) -> dict[str, object]:
        found = json.loads(said(*words, "--json"))
        assert isinstance(found, dict)
        return found

    def lab(doses: dict[str, float], batch_g: float) -> list[str]:
        return [str(v) for v in bench.read(doses, sm.Pour(batch_g=batch_g))]

    status, _, err = run("journal", "report")
    assert status == 2 and "--journal: there is no journal yet" in err and "journal begin" in err
    assert "0 batches" in said("journal", "begin", *NAMES)
    for _ in NAMES:
        bar = told("journal", "next")
        assert bar["cautions"] and "never measured" in str(bar["why"])
        doses = dict(bar["doses"])  # type: ignore[call-overload]
        words = [f"{n}={d:g}" for n, d in doses.items()]
        lesson = told("journal", "add", *words, "--batch", "250", "--lab", *lab(doses, 250))
        assert lesson["fits"] and lesson["known_to"]
    assert "Hot base burns" in said("journal", "next")
    said("match", "#d9822b", "--palette", "journal.jsonl", "--batch", "500", "--save", "m.json")
    recipe = sm.read("m.json").recipe
    out = said("journal", "pour", "--recipe", "m.json", "--field", "base lot=A7")
    assert "batch 4" in out and "journal measured 4" in out
    out = said("journal", "measured", "4", "--lab", *lab(dict(recipe.doses), 500), "--age", "2")
    assert "batch 4" in out and "known to" in out
    assert "Hot base burns" in said(
        "journal", "correct", "4", "--lab", "60", "10", "30", "--target", "d9822b"
    )
    assert "lemon" in said("journal", "added", "4", "lemon=1", "--clear-base", "50")
    assert "known to" in said("journal", "new-tube", "lemon", "--tube-size", "90")
    assert told("journal", "pour", "sea=2", "--batch", "300")["batch"] == 5
    said("journal", "void", "5", "--why", "never poured")
    status, _, err = run("journal", "measured", "5", "--lab", "50", "0", "0")
    assert status == 2 and "batch: is not a batch of this journal" in err
    said("predict", "lemon=2", "--palette", "journal.jsonl")
    said("gamut", "--palette", "journal.jsonl", "d9822b")
    said("journal", "table", "--save", "book.csv")
    said("journal", "begin", "--from-table", "book.csv", "--journal", "again.jsonl")
    one, two = sm.Journal("journal.jsonl"), sm.Journal("again.jsonl")
    assert one.events == two.events and one.batches[3].fields == {"base lot": "A7"}


def test_what_is_wrong_is_said_by_its_option(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run("journal", "begin", *NAMES)
    sm.save(sm.demo_palette(), "p.json")
    for words, text in (
        (("journal", "begin"), "NAME: names no pastes"),
        (("journal", "begin", "gorse"), "pigments: is the journal of other pastes"),
        (("journal", "add", "lemon=2"), "--lab: give the colour that was measured, once"),
        (
            ("journal", "add", "lemmon=2", "--batch", "250", "--lab", "80", "0", "50"),
            "no such paste",
        ),
        (("journal", "pour", "lemon=2", "--recipe", "p.json"), "--recipe: has its own doses"),
        (("journal", "pour", "lemon=2", "--field", "x"), "--field: is not a field"),
        (("journal", "measured", "1", "--lab", "50", "0", "0"), "Pour one first"),
        (("journal", "table", "--save", "p.json"), "--save: another file is there"),
        (("journal", "fly"), "invalid choice"),
        (("match", "d9822b", "--palette", "journal.csv"), "palette file: can't be read"),
        (("match", "d9822b", "--palette", "no.jsonl"), "palette file: can't be read"),
    ):
        status, out, err = run(*words)
        assert (status, out) == (2, ""), words
        assert text in err, (words, err)
