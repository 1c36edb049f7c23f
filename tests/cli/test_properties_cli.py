"""The command line with wrong words: one line, exit status 2, never a traceback."""

from __future__ import annotations

import random
import re
import zlib
from pathlib import Path

import pytest

from shadematch.cli.main import _parser, main
from tests.whole.fuzz_calls import ROOT, palette_file, photo, saved, spectrum_file
from tests.whole.test_properties import LARGE

DATA = ROOT / "data"

GOOD: dict[str, list[str]] = {
    "match": ["#d9822b", "--batch", "100", "--thickness", "1", "--palette", "PALETTE"],
    "predict": ["gorse=2", "--batch", "100", "--palette", "PALETTE"],
    "photo": ["PHOTO"],
    "gamut": ["#d9822b", "--palette", "PALETTE"],
    "feasibility": ["#d9822b", "--thicknesses", "1", "--whites", "0", "--palette", "PALETTE"],
    "smallest-batch": ["#d9822b", "--within", "3", "--step", "100", "--palette", "PALETTE"],
    "same-look": ["gorse=2", "--batch", "100", "--to-thickness", "2", "--palette", "PALETTE"],
    "lights": ["#d9822b", "--poured", "gorse=2", "--lights", "A", "--palette", "PALETTE"],
    "let-down": ["#c8d050", "--within", "4", "--palette", "PALETTE"],
    "sheet": ["--recipe", "SAVED", "--save", "OUT"],
    "repeat": ["SAVED", "--palette", "PALETTE"],
    "pot": ["gorse=2", "--depth", "8", "--palette", "PALETTE"],
    "spread": ["gorse=2", "--dose-slip", "0.2", "--palette", "PALETTE"],
    "correct": [
        "#d9822b",
        "--poured",
        "gorse=2",
        "--measured",
        "60",
        "8",
        "40",
        "--palette",
        "PALETTE",
    ],
    "cost": ["gorse=2", "--batch", "100", "--shelf", "STOCK"],
    "plan": ["ORDERS", "STOCK", "--seconds", "1"],
    "wedge": ["gorse=2", "--from", "0", "--to", "1", "--palette", "PALETTE"],
    "layers": ["0.5:gorse=2", "--palette", "PALETTE"],
    "palette": ["PALETTE"],
    "calibrate": ["POURS", "--save", "LEARNT"],
    "match-many": ["TARGETS", "--batch", "100", "--palette", "PALETTE"],
    "settings": ["--settings", "USUAL", "--batch", "300", "--replace"],
    "journal": ["begin", "gorse", "jetty", "--journal", "BOOK"],
}
"""For each verb some words that are right."""

SLOW = ("plan", "gamut", "feasibility", "calibrate")

NASTY = (
    "",
    " ",
    "nan",
    "inf",
    "-inf",
    "-1",
    "0",
    "1e309",
    "9" * 400,
    "9" * 5000,
    "None",
    "true",
    "x" * 100_000,
    "\u202ee\u0301",
    "½",
    "٣",
    "a\nb",
    "\ud800",
    "#",
    "#12",
    "=",
    "gorse=",
    "gorse=nan",
    "gorse=-1",
    "=3",
    "gorse=1e400",
    "gorse=3=3",
    "nobody=1",
    "/",
    "/tmp",
    "/nowhere/x.json",
    "--",
    "-",
    "--json",
    "--nonsense",
    "'",
    '"',
    "1,2,3",
    "1,,2",
    "D65",
    "a@b",
    "gorse=1@nan",
    "gorse=1/0",
    "0x10",
    "1_0",
    "{}",
    "[]",
    "%s",
    "{0}",
    "\x1b[31m",
    "\x00",
)


PYTHON = re.compile(r"\bshadematch\.[a-z]|\w\(\.\.\.\)|\b(?:True|False)\b")
"""What only Python has: rooms, calls, truth values."""


def spoilt(words: list[str], rng: random.Random) -> list[str]:
    words = list(words)
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(len(words) + 1)
        way = rng.randrange(4)
        if way == 0 and words:
            del words[at % len(words)]
        elif way == 1:
            words.insert(at, rng.choice(NASTY))
        elif words:
            words[at % len(words)] = rng.choice(NASTY)
    return words


def targets(folder: Path) -> Path:
    place = folder / "targets.csv"
    place.write_text("name,hex\none,#d9822b\n", encoding="utf-8")
    return place


def test_every_verb_has_its_words() -> None:
    (verbs,) = (a.choices for a in _parser()._actions if a.dest == "verb")
    # The one verb that makes the folder it is given would make all the wrong ones.
    assert set(verbs) - {"samples"} == set(GOOD)


@pytest.mark.parametrize("verb", GOOD)
def test_wrong_words_end_in_one_line(
    verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    places = {
        "PALETTE": palette_file(tmp_path),
        "PHOTO": photo(tmp_path),
        "SAVED": saved(tmp_path),
        "SPECTRUM": spectrum_file(tmp_path),
        "OUT": tmp_path / "out.html",
        "ORDERS": DATA / "order-book.csv",
        "STOCK": DATA / "shelf.csv",
        "POURS": DATA / "test-pours-lab.csv",
        "LEARNT": tmp_path / "learnt.json",
        "USUAL": tmp_path / "usual.toml",
        "TARGETS": targets(tmp_path),
        "BOOK": tmp_path / "book.jsonl",
        "FORM": tmp_path / "form.csv",
    }
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    good = [str(places.get(word, word)) for word in GOOD[verb]]
    rng = random.Random(zlib.crc32(verb.encode()))
    status = main([verb, *good])
    said = capsys.readouterr()
    assert (status, said.err) == (0, "")
    for _ in range(200 if LARGE else 4 if verb in SLOW else 10):
        words = [verb, *spoilt(good, rng)]
        status = main(words)
        said = capsys.readouterr()
        assert status in (0, 2), (words, said)
        assert "Traceback" not in said.err
        assert "nan" not in said.out.lower().split(), words
        if status == 2:
            assert said.out == ""
            assert said.err.startswith("shadematch: error: "), (words, said.err)
            assert said.err.count("\n") == 1, (words, said.err)
            assert len(said.err) < 1000, words
            assert "\x1b" not in said.err
            assert not PYTHON.search(said.err), (words, said.err)
