"""Sample files: the same as in the data folder, never over anybody's own."""

from __future__ import annotations

from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.keeping.samples import SAMPLES

DATA = Path(__file__).parents[2] / "data"


def test_every_sample_is_copied(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = {p.relative_to(DATA).as_posix() for p in DATA.rglob("*") if p.is_file()}
    assert set(SAMPLES) == {name for name in there if not name.endswith((".py", ".pyc"))}
    files = sm.copy_samples(tmp_path / "new" / "data")
    for name, path in zip(SAMPLES, files, strict=True):
        assert path.read_bytes() == (DATA / name).read_bytes()
    assert main(["samples", str(tmp_path / "new" / "data")]) == 0
    assert capsys.readouterr().out.split() == list(map(str, files))
    found = sm.read_test_pours(
        tmp_path / "new" / "data" / "test-pours.csv", pour=sm.Pour(batch_g=100)
    )
    assert len(found) > 5


def test_nothing_of_anybody_is_lost(tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("mine")
    with pytest.raises(sm.FileError, match="another file"):
        sm.copy_samples(tmp_path)
    assert (tmp_path / "shelf.csv").read_text() == "mine"
    with pytest.raises(sm.FileError, match="can't be written"):
        sm.copy_samples(tmp_path / "shelf.csv")
    with pytest.raises(sm.FileError, match="not a path"):
        sm.copy_samples(5)  # type: ignore[arg-type]
