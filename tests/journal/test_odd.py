"""Bars that went wrong, and tubes, in an invented world that another solver computes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from tests.invented.studio import Bench, begun


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Path]:
    bench, folder = Bench(3), tmp_path_factory.mktemp("odd")
    bench.taught(begun(folder), 22)
    return bench, folder / "journal.jsonl"


@pytest.fixture
def journal(course: tuple[Bench, Path], tmp_path: Path) -> sm.Journal:
    (tmp_path / "j.jsonl").write_bytes(course[1].read_bytes())
    return sm.Journal(tmp_path / "j.jsonl")


POUR = sm.Pour(batch_g=500)


def seen(journal: sm.Journal) -> np.ndarray:
    """What single pastes look like by the journal."""
    found = [sm.predict({n: 5}, palette=journal.palette, pour=POUR).lab for n in journal.pigments]
    return np.array(found)


def test_a_right_bar_is_not_doubted(course: tuple[Bench, Path]) -> None:
    assert all(lesson.fits for lesson in sm.Journal(course[1]).lessons)


@pytest.mark.parametrize(
    ("said", "truly", "kinds"),
    [
        ({"lemon": 6, "brick": 2}, {"sea": 6, "brick": 2}, {"wrong tube"}),
        ({"lemon": 8, "sea": 2}, {"lemon": 2, "sea": 8}, {"exchanged"}),
        ({"brick": 6}, {"brick": 0.6}, {"decimal"}),
        ({"lemon": 4, "brick": 4}, {"lemon": 4}, {"left out"}),
    ],
)
def test_what_went_wrong_is_named(
    journal: sm.Journal,
    course: tuple[Bench, Path],
    said: dict[str, float],
    truly: dict[str, float],
    kinds: set[str],
) -> None:
    before = seen(journal)
    lesson = journal.add(said, course[0].true(truly, POUR), pour=POUR)
    assert lesson.aside and lesson.probability < 1e-3
    assert lesson.explanations[0].kind in kinds
    assert set(lesson.explanations[0].pastes) <= set(said) | set(truly)
    assert "put aside" in str(lesson) and lesson.explanations[0].text in str(lesson)
    assert f"void batch {lesson.batch}" in str(lesson)
    assert "put aside" in str(journal)
    assert float(delta_e(seen(journal), before).max()) < 0.3  # the noise alone is seen anew


def test_another_base_is_named(journal: sm.Journal, course: tuple[Bench, Path]) -> None:
    white = sm.Pour(batch_g=500, white=1.0)
    lesson = journal.add({"brick": 5}, course[0].true({"brick": 5}, white), pour=POUR)
    assert lesson.aside and lesson.explanations[0].kind == "base"
    assert "white base" in lesson.explanations[0].text


def test_a_bar_that_is_right_can_be_let_in(journal: sm.Journal, course: tuple[Bench, Path]) -> None:
    lesson = journal.add({"lemon": 6}, course[0].true({"sea": 6}, POUR), pour=POUR)
    assert lesson.aside
    # Another day: the journal is opened anew, and knows the bar by its batch.
    journal = sm.Journal(journal.path)
    again = journal.let_in(lesson.batch, why="I saw it")
    assert again.fits and len(journal._history.belief.aside) == 0
    assert sm.Journal(journal.path).lessons[-1].fits
    with pytest.raises(sm.PourError, match="was not put aside: it counts already"):
        journal.let_in(lesson)


def test_the_only_bar_of_its_kind_is_said_to_be(tmp_path: Path) -> None:
    bench = Bench(4)
    journal = begun(tmp_path)
    for load in (1.0, 2.0, 3.0, 4.0, 6.0, 8.0):
        for name in ("lemon", "brick"):
            journal.add({name: load}, bench.read({name: load}, POUR), pour=POUR)
    wrong = sm.Pour(batch_g=500, white=1.0)
    clear = bench.true({"lemon": 8.0}, POUR)
    lesson = journal.add({"lemon": 8.0, "sea": 1.0}, (clear[0], clear[1], clear[2]), pour=wrong)
    if lesson.aside:
        assert lesson.only_one == ("sea",) and "no other bar contains sea" in str(lesson)
    else:
        assert lesson.only_one == ()
    assert journal.lessons[-1] == lesson


def test_a_new_tube_is_learnt(course: tuple[Bench, Path], journal: sm.Journal) -> None:
    bench = Bench(3)
    bench.world = course[0].world
    known = journal._history.belief
    old = journal._history.studio.open["brick"]
    bench.strength = {**bench.strength, "brick": 0.75}
    journal.new_tube("brick", tube_size=100)
    assert journal.left["brick"] == 100
    tube = journal._history.studio.open["brick"]
    assert tube.serial == old.serial + 1
    for dose in (3.0, 6.0):
        journal.add({"brick": dose}, bench.read({"brick": dose}, POUR), pour=POUR)
    factor, sd = journal._history.belief.strength(tube)
    before, _ = known.strength(old)
    assert factor / before == pytest.approx(0.75, abs=0.12) and sd < 0.12
    assert "tube 2" in str(journal)


def test_tubes_are_counted_and_asked_for(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    for _ in range(3):
        journal.pour({"lemon": 28}, pour=sm.Pour(batch_g=1000))
    assert journal.left["lemon"] == pytest.approx(3.0) and "asked" not in str(journal)
    journal.pour({"lemon": 8}, pour=sm.Pour(batch_g=1000))
    assert journal.left["lemon"] == 0.0
    assert "is the tube of lemon a new one? 92 cm are used" in str(journal)
    journal.pour({"lemon": 20}, pour=sm.Pour(batch_g=1000))  # no tube holds so much
    row = next(t for t in journal.tubes if t.pigment == "lemon")
    assert row.opened == 2 and row.assumed_new and row.used == pytest.approx(25.0)
    journal.new_tube("lemon")  # told after all: the same one
    row = next(t for t in journal.tubes if t.pigment == "lemon")
    assert row.opened == 2 and not row.doubtful
    assert sm.Journal(journal.path).tubes == journal.tubes
    with pytest.raises(sm.UnknownNameError):
        journal.new_tube("rose")


def test_what_is_left_feeds_the_plan(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    journal.pour({"lemon": 20}, pour=sm.Pour(batch_g=1000))
    stock = sm.Stock.of({"sea": 2}, left=journal.left)
    assert stock.row("lemon").opened == (67.0,) and stock.row("sea").full == 2
    assert stock.shelf("sea", journal.palette) == pytest.approx(3 * 87.0)


def test_a_rough_studio_is_found_to_be_one(tmp_path: Path) -> None:
    bench, journal = Bench(6), begun(tmp_path)
    rng = np.random.default_rng(1)
    doubted = 0
    for _ in range(24):
        doses, pour = bench.bar()
        slipped = {n: max(d + 0.35 * rng.standard_normal(), 0.0) for n, d in doses.items()}
        lab = np.array(bench.true(slipped, pour)) + 1.2 * rng.standard_normal(3)
        lab[0] = min(lab[0], 100.0)
        doubted += journal.add(doses, lab.tolist(), pour=pour).aside
    assert journal._history.belief.noise.rough.eye > 1.5
    assert doubted <= 3
