"""The journal's file: no event is ever lost, whatever happens to its writer."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import shadematch as sm
from tests.invented.studio import NAMES, Bench, begun

WRITERS = """
import os, sys, shadematch as sm

def pour(path):
    return sm.Journal(path), {"pour": sm.Pour(batch_g=100), "fields": {"a": "x" * 2000}}

journal, options = pour(sys.argv[2])  # imports what there is to import
journal.pour({"lemon": 0.01}, **options)
for _ in sys.stdin:
    child = os.fork()
    if not child:
        journal, options = pour(sys.argv[1])
        print(os.getpid(), flush=True)
        while True:
            batch = journal.pour({"lemon": 0.01}, **options)
            os.write(1, f"{batch}\\n".encode())  # at once: a kill can't cut off its end
    os.waitpid(child, 0)
    print("gone", flush=True)
"""
"""For each line that it is sent: a process that pours until it is killed."""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a process for each kill")
def test_two_hundred_kills_lose_nothing(tmp_path: Path) -> None:
    """What a writer has answered for is there, whenever it is killed."""
    path, rng = begun(tmp_path).path, random.Random(1)
    other = tmp_path / "other.jsonl"
    other.write_bytes(path.read_bytes())
    answered: list[int] = []
    with subprocess.Popen(
        [sys.executable, "-c", WRITERS, str(path), str(other)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as writers:
        assert writers.stdin is not None and writers.stdout is not None
        for _ in range(200):
            print(file=writers.stdin, flush=True)
            writer = int(writers.stdout.readline())
            answered += [int(writers.stdout.readline()) for _ in range(rng.randrange(4))]
            time.sleep(rng.uniform(0.0, 0.02))
            os.kill(writer, signal.SIGKILL)
            while (line := writers.stdout.readline()) != "gone\n":
                answered.append(int(line))
        writers.stdin.close()
    batches = [b.number for b in sm.Journal(path).batches]
    assert set(answered) <= set(batches) and len(answered) > 200
    assert batches == list(range(1, len(batches) + 1))


def test_a_torn_line_is_told_and_ignored(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    journal.pour({"lemon": 1}, pour=sm.Pour(batch_g=100))
    whole = journal.path.read_bytes()
    line = whole.splitlines(keepends=True)[-1].replace(b'"event": 2', b'"event": 3')
    line = line.replace(b'"batch": 1', b'"batch": 2')
    for cut in range(1, len(line)):
        journal.path.write_bytes(whole + line[:cut])
        again = sm.Journal(journal.path)
        assert [b.number for b in again.batches] == [1]
        assert "cut off" in str(again)
        whole_line = cut == len(line) - 1  # only its end is missing: it was all there
        assert again.pour({"sea": 1}, pour=sm.Pour(batch_g=100)) == (3 if whole_line else 2)
        assert len(sm.Journal(journal.path).batches) == (3 if whole_line else 2)


def test_a_missing_or_altered_line_is_found(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    for dose in (1, 2, 3):
        journal.pour({"lemon": dose}, pour=sm.Pour(batch_g=100))
    lines = journal.path.read_text("utf-8").splitlines(keepends=True)
    for wrong, said in (
        ([*lines[:2], *lines[3:]], "has event 4 in place of 3"),
        ([*lines[:2], "{]\n", *lines[3:]], "has event 4 in place of 3"),
        (lines[1:], "has event 2 in place of 1"),
        ([*lines[:3], lines[3].replace('"lemon"', '"rose"')], "not one of the journal's pastes"),
        ([*lines[:3], lines[3].replace('"batch": 3', '"batch": 2')], "appears twice"),
        ([*lines[:3], lines[3].replace("poured", "drunk")], "event 4"),
        ([lines[0].replace('"version": 1', '"version": 2'), *lines[1:]], "newer shadematch"),
        ([lines[0].replace("shadematch journal", "diary"), *lines[1:]], "format"),
    ):
        journal.path.write_text("".join(wrong), encoding="utf-8")
        with pytest.raises(sm.FileError, match=said):
            sm.Journal(journal.path)


def test_two_writers_do_not_mix(tmp_path: Path) -> None:
    one = begun(tmp_path)
    two = sm.Journal(one.path)
    numbers = [j.pour({"lemon": 1}, pour=sm.Pour(batch_g=100)) for j in (one, two, two, one)]
    assert numbers == [1, 2, 3, 4]
    assert one.events == sm.Journal(one.path).events
    code = "import sys, shadematch as sm; j = sm.Journal(sys.argv[1])\n"
    code += "for _ in range(20): j.pour({'sea': 1}, pour=sm.Pour(batch_g=100))"
    running = [subprocess.Popen([sys.executable, "-c", code, str(one.path)]) for _ in range(3)]
    assert [p.wait() for p in running] == [0, 0, 0]
    assert [b.number for b in sm.Journal(one.path).batches] == list(range(1, 65))


def test_events_are_on_the_disk_when_a_call_returns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced = []
    real = os.fsync
    monkeypatch.setattr(
        os, "fsync", lambda held: (synced.append(os.fstat(held).st_size), real(held))
    )
    journal = begun(tmp_path)
    journal.pour({"lemon": 1}, pour=sm.Pour(batch_g=100))
    assert synced[-1] == journal.path.stat().st_size

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(sm.FileError, match="No space left"):
        journal.pour({"lemon": 2}, pour=sm.Pour(batch_g=100))
    monkeypatch.undo()
    assert journal.pour({"lemon": 2}, pour=sm.Pour(batch_g=100)) == 2


def test_wrong_places(tmp_path: Path) -> None:
    with pytest.raises(sm.FileError, match=r"there is no journal yet.*Name the pastes"):
        sm.Journal(tmp_path / "none.jsonl")
    with pytest.raises(sm.FileError, match="path: can't be written"):
        sm.Journal(tmp_path / "no" / "j.jsonl", pigments=NAMES)
    with pytest.raises(sm.FileError, match="path"):
        sm.Journal(None, pigments=NAMES)  # type: ignore[arg-type]
    (tmp_path / "text.jsonl").write_text("hello\n")
    with pytest.raises(sm.ShadematchError):
        sm.Journal(tmp_path / "text.jsonl")
    begun(tmp_path)
    with pytest.raises(sm.FileError, match="journal of other pastes"):
        sm.Journal(tmp_path / "journal.jsonl", pigments=["gorse"])
    for names in ([], ["a"] * 2, [f"p{i}" for i in range(13)], ["a\nb"], [1]):
        with pytest.raises(sm.ShadematchError):
            sm.Journal(tmp_path / "new.jsonl", pigments=names)  # type: ignore[arg-type]
        assert not (tmp_path / "new.jsonl").exists()


def test_a_person_can_read_it(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    journal.add({"lemon": 2}, (85, -5, 60), pour=sm.Pour(batch_g=250), fields={"base lot": "Ü7"})
    first, second = journal.path.read_text("utf-8").splitlines()
    assert json.loads(first)["format"] == "shadematch journal" and "lemon" in first
    told = json.loads(second)
    assert told["doses"] == {"lemon": 2.0} and told["pour"]["batch_g"] == 250.0
    assert told["reading"] == {"lab": [85.0, -5.0, 60.0]} and "Ü7" in second


def test_to_a_spreadsheet_and_back(tmp_path: Path) -> None:
    bench = Bench(3)
    journal = bench.taught(begun(tmp_path), 4)
    match = sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500, white=0.2))
    number = journal.pour(match, fields={"base lot": "A7", "note": '=cmd(), "x"\nline'})
    view = sm.View(backing="black", illuminant="A")
    journal.measured(number, (60, 20, 40), view=view, instrument="old", age_days=2.5)
    grey = sm.Target.from_reflectance(range(400, 701, 10), [0.3] * 31)
    journal.measured(1, grey)
    journal.added(number, {"lemon": 1}, clear_g=50)
    journal.new_tube("sea", tube_size=90)
    journal.void(2, why="+miscounted")
    journal.save_table(tmp_path / "book.csv")
    raw = (tmp_path / "book.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf") and b"dose_cm:lemon" in raw and b"'=cmd" in raw
    again = sm.Journal.from_table(tmp_path / "book.csv", tmp_path / "again.jsonl")
    assert again.events == journal.events
    assert again.palette == journal.palette
    again.pour({"lemon": 1}, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.FileError, match="another file is there"):
        sm.Journal.from_table(tmp_path / "book.csv", tmp_path / "again.jsonl")
    text = raw.decode("utf-8-sig")
    lines = text.split("\r\n")
    for wrong, said in (
        ("\r\n".join([lines[0], *lines[2:]]), "has event 2 in place of 1"),
        (text.replace("250.0", "heavy", 1), "line 3: batch_g: must be a number"),
        ("a,b\r\n1,2\r\n", "has no columns event and what"),
        ("", "has no columns"),
    ):
        (tmp_path / "wrong.csv").write_bytes(wrong.encode("utf-8"))
        with pytest.raises(sm.FileError, match=said):
            sm.Journal.from_table(tmp_path / "wrong.csv", tmp_path / "third.jsonl")
        assert not (tmp_path / "third.jsonl").exists()


def test_a_palette_to_begin_from_goes_along(tmp_path: Path) -> None:
    palette = sm.demo_palette().known_to(0.05)
    journal = sm.Journal(tmp_path / "j.jsonl", palette=palette)
    assert sm.Journal(journal.path).events == journal.events
    journal.save_table(tmp_path / "j.csv")
    again = sm.Journal.from_table(tmp_path / "j.csv", tmp_path / "k.jsonl")
    assert again.events == journal.events
    assert again.events[0].palette == palette  # type: ignore[union-attr]
