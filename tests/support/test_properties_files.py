"""A few hundred spoilt files of every kind; ``python -m tests.bench.fuzz`` has the thousands."""

from __future__ import annotations

from pathlib import Path

import pytest

import shadematch as sm
from tests.whole import fuzz


@pytest.mark.parametrize("kind", fuzz.READERS)
def test_spoilt_files_end_in_a_clear_error_or_a_right_answer(kind: str, tmp_path: Path) -> None:
    wrong = [(seed, found) for seed in range(30) if (found := fuzz.trial(kind, seed, tmp_path))]
    assert wrong == []


@pytest.mark.parametrize("kind", fuzz.READERS)
def test_a_wrong_answer_would_be_seen(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = fuzz.READERS[kind]
    (tmp_path / "sound").write_text(fuzz.seed_of(kind))
    before = read(tmp_path / "sound")
    # A reader that gives the sound file's content, whatever was changed in it.
    monkeypatch.setitem(fuzz.READERS, kind, lambda _path: before)
    assert fuzz.trial(kind, 1, tmp_path).startswith("reads")


@pytest.mark.parametrize("kind", fuzz.READERS)
def test_what_is_no_file(kind: str, tmp_path: Path) -> None:
    for place in (tmp_path, tmp_path / "none", "", "a\0b", "\ud800", None, 3, b"x", "x" * 10**6):
        with pytest.raises(sm.ShadematchError) as told:
            fuzz.READERS[kind](place)  # type: ignore[arg-type]
        assert told.value.field
        assert told.value.remedy
        assert len(str(told.value)) < 1000


def test_a_cell_too_long_for_csv_names_its_line(tmp_path: Path) -> None:
    text = fuzz.seed_of("pours").splitlines()
    text[3] = "x" * 200_000 + text[3]
    (tmp_path / "a.csv").write_text("\n".join(text))
    with pytest.raises(sm.PourError, match=r"line 4.*not valid CSV"):
        sm.read_test_pours(tmp_path / "a.csv", pour=sm.Pour(batch_g=100))


def test_digits_of_other_scripts_are_no_number_of_sets(tmp_path: Path) -> None:
    text = fuzz.seed_of("cgats lab")
    for odd in ("²", "٣", "9" * 5000):
        (tmp_path / "a.txt").write_text(text.replace("NUMBER_OF_SETS 6", f"NUMBER_OF_SETS {odd}"))
        assert len(sm.read_test_pours(tmp_path / "a.txt", pour=sm.Pour(batch_g=100))) == 6
