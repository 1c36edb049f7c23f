"""Files written whole or not at all; JSON that is what it says."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from shadematch.errors import FileError
from shadematch.support.files import (
    LARGEST_FILE,
    check_free,
    checked_envelope,
    enveloped,
    json_text,
    parse_json,
    read_text,
    write_text,
)

ROOT = Path(__file__).parents[2]


def killed(how: str, folder: Path, count: int) -> int:
    done = subprocess.run(
        [sys.executable, "-m", "tests.invented.killed", how, str(folder), str(count)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        check=True,
        capture_output=True,
        text=True,
    )
    return int(done.stdout)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
def test_a_writer_killed_200_times_leaves_a_whole_file(tmp_path: Path) -> None:
    assert killed("whole", tmp_path, 200) == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
def test_the_same_kills_tear_a_naive_writers_file(tmp_path: Path) -> None:
    assert killed("naive", tmp_path, 60) > 0


def test_a_link_stays_a_link_and_permissions_stay(tmp_path: Path) -> None:
    real, link = tmp_path / "real.txt", tmp_path / "link.txt"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_text(link, "new\r\n", replace=True)
    assert link.is_symlink()
    assert real.read_bytes() == b"new\r\n"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.txt", "real.txt"]


@pytest.mark.parametrize("where", ["folder", "pipe", "missing/file", "a\0b", 3, None, "x" * 5000])
def test_places_that_cant_be_written(tmp_path: Path, where: object) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    path = tmp_path / where if isinstance(where, str) and "\0" not in where else where
    with pytest.raises(FileError) as found:
        write_text(path, "text")  # type: ignore[arg-type]
    assert found.value.field == "path"
    assert found.value.remedy
    assert sorted(p.name for p in tmp_path.iterdir()) == ["folder", "pipe"]
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_half_a_character(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("old")
    with pytest.raises(FileError, match="a broken character"):
        write_text(tmp_path / "x", "caf\ud800", replace=True)
    assert (tmp_path / "x").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_long_names_are_written(tmp_path: Path) -> None:
    place = tmp_path / ("n" * 240)
    write_text(place, "text")
    assert place.read_text() == "text"


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_texts_come_back(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    place = tmp_path_factory.getbasetemp() / "text.txt"
    write_text(place, text, replace=True)
    assert read_text(place, kind="text") == text.removeprefix("\ufeff")


def test_too_large_and_endless(tmp_path: Path) -> None:
    with (tmp_path / "big").open("wb") as stream:
        stream.truncate(LARGEST_FILE + 1)
    for place in (tmp_path / "big", Path("/dev/zero")):
        if place.exists():
            with pytest.raises(FileError, match="too large for a recipe"):
                read_text(place, kind="recipe")


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('{"a": 1, "a": 2}', "an entry appears twice"),
        ('{"a": {"b": 1, "b": 1}}', "an entry appears twice"),
        ('{"a": 1,}', "is not JSON"),
        ("", "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ("1" * 5000, "is not JSON"),
    ],
)
def test_json_that_is_refused(text: str, problem: str) -> None:
    with pytest.raises(FileError, match=problem) as found:
        parse_json(text, place="order.json")
    assert "order.json" in str(found.value)
    assert found.value.remedy


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text("abc", max_size=3), inner),
    max_leaves=20,
)


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(st.text("xyz", min_size=1), json_values))
def test_json_comes_back(content: dict[str, object]) -> None:
    text = json_text({"format": "shadematch thing", "version": 3, **content})
    assert json.loads(text) == parse_json(text, place="here")  # Python's own reading
    assert checked_envelope(parse_json(text, place="here"), {"thing": 3}) == ("thing", content)
    assert json_text(enveloped("thing", 3, content)) == text


@pytest.mark.parametrize(
    ("data", "field", "problem"),
    [
        ([], "file", "must be a JSON object"),
        ({}, "format", "is missing"),
        ({"format": "other", "version": 1}, "format", "is not known to this library"),
        ({"format": "thing", "version": 1}, "format", "is not known to this library"),
        ({"format": ["shadematch thing"]}, "format", "is not known to this library"),
        ({"format": "shadematch thing"}, "version", "unknown version"),
        ({"format": "shadematch thing", "version": True}, "version", "unknown version"),
        ({"format": "shadematch thing", "version": "1"}, "version", "unknown version"),
        ({"format": "shadematch thing", "version": 1.0}, "version", "unknown version"),
        ({"format": "shadematch thing", "version": 0}, "version", "unknown version"),
        ({"format": "shadematch thing", "version": 3}, "version", "newer shadematch"),
        ({"format": "shadematch thing", "version": 10**30}, "version", "newer shadematch"),
        ({"format": "shadematch other", "version": 2}, "version", "newer shadematch"),
    ],
)
def test_envelopes_that_are_refused(data: object, field: str, problem: str) -> None:
    with pytest.raises(FileError, match=problem) as found:
        checked_envelope(data, {"thing": 2, "other": 1})
    assert found.value.field == field
    assert found.value.remedy


# --- what is there


def test_another_file_is_refused_and_the_same_is_let_be(tmp_path: Path) -> None:
    place = tmp_path / "a.txt"
    write_text(place, "mine")
    place.chmod(0o400)  # it is not opened for writing
    stamp = place.stat().st_mtime_ns
    write_text(place, "mine")
    assert place.stat().st_mtime_ns == stamp
    for text in ("other", "mine too", ""):
        with pytest.raises(FileError, match="another file is there") as found:
            write_text(place, text)
        assert found.value.field == "path" and "replace" in found.value.remedy
    assert place.read_text() == "mine"
    write_text(place, "other", replace=True)
    assert place.read_text() == "other"
    (tmp_path / "link").symlink_to(place)
    with pytest.raises(FileError, match="another file is there"):
        write_text(tmp_path / "link", "mine")
    for there in (place, tmp_path / "link"):
        with pytest.raises(FileError, match="another file is there"):
            check_free(there, replace=False)
        check_free(there, replace=True)
    check_free(tmp_path / "new", replace=False)
    with pytest.raises(FileError, match="is not a path"):
        check_free(3, replace=False)  # type: ignore[arg-type]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "link"]


# --- what a killed writer leaves

_WRITER = """
import sys, time
from shadematch.support.files import whole_file

with whole_file(sys.argv[1], replace=True) as place:
    place.write_text("half")
    print(place, flush=True)
    time.sleep(600)
"""
_OLD_S = 3600


@contextlib.contextmanager
def writing(goal: Path) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """A process that is writing a file, and the hidden one that it writes, made to look old."""
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(goal)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout is not None
        try:
            hidden = Path(writer.stdout.readline().strip())
            then = time.time() - _OLD_S
            os.utime(hidden, (then, then))
            yield writer, hidden
        finally:
            writer.kill()


@pytest.mark.skipif(sys.platform == "win32", reason="files are not locked there")
def test_what_a_killed_writer_left_is_cleared_by_the_next(tmp_path: Path) -> None:
    goal = tmp_path / "order.json"
    goal.write_text("old")
    names = (".order.json.0123456789abcdex", ".order.json.0123", ".other.json.0123456789abcdef")
    for name in names:  # of others
        (tmp_path / name).write_text("not ours")
        os.utime(tmp_path / name, (0, 0))
    with writing(goal) as (writer, hidden), writing(goal) as (_, living):
        writer.kill()
        writer.wait()
        assert {p.name for p in tmp_path.iterdir()} == {
            *names,
            "order.json",
            hidden.name,
            living.name,
        }
        assert goal.read_text() == "old"
        fresh = tmp_path / ".order.json.fedcba9876543210"
        fresh.write_text("may be on the way to be locked")
        write_text(goal, "new", replace=True)
        assert not hidden.exists()
        assert living.read_text() == "half"  # its writer is at work, for however long
        assert fresh.exists()
        assert goal.read_text() == "new"
        fresh.unlink()
    write_text(goal, "newer", replace=True)
    assert {p.name for p in tmp_path.iterdir()} == {*names, "order.json"}
