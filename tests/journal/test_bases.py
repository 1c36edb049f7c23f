"""The journal learns a browned base from bars whose colours another solver computes.

Bars of an invented world (`tests.invented.worlds`: layers by iadpython with asymmetry 0.5 and
index 1.46, the library's being 0.6 and 1.5); how a base browns is invented, too.
"""

from __future__ import annotations

import functools
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from tests.invented import worlds
from tests.invented.studio import Bench, begun

BASE = "vanilla"
IN_BASE = sm.Pour(batch_g=400, base=BASE)


def bench(seed: int = 1, depth: float = 0.4) -> Bench:
    made = Bench(seed)
    made.world = worlds.browned(made.world, BASE, depth)
    return made


def miss(made: Bench, journal: sm.Journal, base: str, count: int = 15) -> float:
    """Mean CIEDE2000 of predictions of unseen mixtures in a base and its blends."""
    far = []
    for doses, pour in worlds.unseen(made.world, np.random.default_rng(9), count):
        if pour.white == 1:
            continue
        there = pour.model_copy(update={"base": base})
        lab = sm.predict(doses, palette=journal.palette, pour=there).lab
        far.append(float(delta_e(np.array(lab), np.array(made.true(doses, there)))))
    return float(np.mean(far))


@functools.cache
def taught(folder: Path) -> Path:
    """Nine bars in clear base and blends, then a base is new."""
    made, journal = bench(), begun(folder)
    made.taught(journal, 9)
    journal.new_base(BASE)
    return journal.path


@pytest.fixture
def journal(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> sm.Journal:
    folder = tmp_path_factory.getbasetemp() / "named"
    folder.mkdir(exist_ok=True)
    shutil.copy(taught(folder), tmp_path / "journal.jsonl")
    return sm.Journal(tmp_path / "journal.jsonl")


def test_until_its_first_bar_it_is_clear_base_with_much_left_open(journal: sm.Journal) -> None:
    palette = journal.palette
    clear, base = palette.clear, palette.base(BASE)
    assert base.absorption == clear.absorption and base.scattering == clear.scattering
    doses = {"lemon": 2.0}
    plain, wide = (
        sm.spread(doses, palette=palette, pour=sm.Pour(batch_g=400, base=name))
        for name in ("clear", BASE)
    )
    # The plain range is no narrow one: after so few bars the studio's own noise is in it too.
    assert wide.p90 > 2 * plain.p90
    asked = journal.next()
    assert asked.recipe.doses == {} and asked.recipe.pour.base == BASE
    assert asked.why == f'base "{BASE}" was never measured' and asked.after < 0.7 * asked.before


@pytest.mark.parametrize("depth", [0.05, 0.4, 1.2])
def test_one_bar_of_it_alone_teaches_it(journal: sm.Journal, depth: float) -> None:
    made = bench(depth=depth)
    before, clear = miss(made, journal, BASE), miss(made, journal, "clear")
    lesson = journal.add({}, made.read({}, IN_BASE), pour=IN_BASE)
    assert lesson.fits and lesson.contains(0.999)
    after = miss(made, journal, BASE)
    assert after < 2.2 and (after < 0.5 * before or depth < 0.1)
    assert abs(miss(made, journal, "clear") - clear) < 0.2  # clear base is another
    absorbs = np.array(journal.palette.base(BASE).absorption)
    assert absorbs[7] == pytest.approx(made.world.bases[BASE][0][7], rel=0.5)
    assert journal.next().recipe.pour.base == "clear"


def test_bars_with_pastes_teach_it_as_well(journal: sm.Journal) -> None:
    made = bench()
    for _ in range(4):
        doses, pour = made.bar()
        there = pour.model_copy(update={"base": BASE, "white": min(pour.white, 0.2)})
        assert journal.add(doses, made.read(doses, there), pour=there).fits
    assert miss(made, journal, BASE) < 1.6


def test_a_bar_of_another_base_is_found_out(journal: sm.Journal) -> None:
    made = bench()
    for _ in range(2):
        journal.add({}, made.read({}, IN_BASE), pour=IN_BASE)
    doses, said = {"lemon": 4.0}, sm.Pour(batch_g=400)
    lesson = journal.add(doses, made.read(doses, IN_BASE), pour=said)
    assert lesson.aside and lesson.explanations[0].kind == "base"
    text = f'it was poured in base "{BASE}", not in clear base'
    assert lesson.explanations[0].text == text and text in lesson.sentence


def test_a_misspelt_base_is_asked_about_and_nothing_is_written(journal: sm.Journal) -> None:
    before = journal.path.read_bytes()
    wrong = sm.Pour(batch_g=400, base="vanila")
    with pytest.raises(sm.UnknownNameError, match=r"Did you mean vanilla\? It has clear, vanilla"):
        journal.pour({}, pour=wrong)
    with pytest.raises(sm.UnknownNameError, match="the journal has no such base"):
        journal.add({}, (80, 0, 20), pour=wrong)
    for name, problem in ((BASE, "twice"), ("clear", "of its own")):
        with pytest.raises(sm.PaletteError, match=problem):
            journal.new_base(name)
    with pytest.raises(sm.PaletteError, match="base"):
        journal.new_base(" ")
    assert journal.path.read_bytes() == before


def test_opened_again_and_by_way_of_a_table_it_is_the_same(
    journal: sm.Journal, tmp_path: Path
) -> None:
    made = bench()
    journal.add({"lemon": 3}, made.read({"lemon": 3}, IN_BASE), pour=IN_BASE, age_days=40)
    again = sm.Journal(journal.path)
    assert again.bases == (BASE,) and again.palette == journal.palette
    journal.save_table(tmp_path / "book.csv")
    copied = sm.Journal.from_table(tmp_path / "book.csv", tmp_path / "copy.jsonl")
    assert copied.events == journal.events and copied.palette == journal.palette
    assert copied.batches[-1].recipe.pour == IN_BASE
    told = copied.events[-1]
    assert told.reading.age_days == 40  # type: ignore[union-attr]
    assert "not predicted" in str(journal.report())


def test_a_journal_without_further_bases_is_written_as_before(tmp_path: Path) -> None:
    plain = begun(tmp_path)
    plain.pour({"lemon": 2}, pour=sm.Pour(batch_g=400))
    first, second = map(json.loads, plain.path.read_text("utf-8").splitlines())
    assert "bases" not in first
    assert set(second["pour"]) == {"batch_g", "thickness_cm", "white", "max_load", "dose_step"}
    plain.save_table(tmp_path / "book.csv")
    head = (tmp_path / "book.csv").read_text("utf-8-sig").splitlines()[0].split(",")
    assert "base" not in head and "white" in head
    assert "fades" not in str(plain.report())


def test_begun_with_bases(tmp_path: Path) -> None:
    named = sm.Journal(tmp_path / "a.jsonl", pigments=["lemon"], bases=[BASE, "oat"])
    assert named.bases == (BASE, "oat") == sm.Journal(named.path).bases
    palette = named.palette
    assert palette.base_names == ("clear", BASE, "oat")
    learnt = sm.Journal(tmp_path / "b.jsonl", palette=palette, bases=["goat"])
    assert learnt.bases == (BASE, "oat", "goat")
    told = learnt.palette.base(BASE).absorption
    assert np.allclose(told, np.maximum(palette.base(BASE).absorption, 0.003), rtol=1e-5)
    with pytest.raises(sm.PaletteError, match="appears twice"):
        sm.Journal(tmp_path / "c.jsonl", palette=palette, bases=["oat"])
    assert not (tmp_path / "c.jsonl").exists()


def test_a_correction_stays_in_the_base(journal: sm.Journal) -> None:
    made = bench()
    journal.add({}, made.read({}, IN_BASE), pour=IN_BASE)
    goal = sm.Target.from_lab(made.true({"lemon": 4}, IN_BASE))
    number = journal.pour({"lemon": 3}, pour=IN_BASE)
    found = journal.correct(number, made.read({"lemon": 3}, IN_BASE), goal)
    assert found.advice.recipe.pour.base == BASE
    journal.added(number, found)
    batch = journal.batches[-1]
    assert batch.recipe.pour.base == BASE and batch.recipe.doses["lemon"] > 3
    journal.added(number, {}, clear_g=100, white_g=20)
    mixed = journal.batches[-1].recipe.pour
    assert mixed.base == BASE and mixed.batch_g == 520 and mixed.white_g == pytest.approx(20)


def test_a_file_that_pours_into_no_base_of_its_own_is_refused(journal: sm.Journal) -> None:
    journal.pour({"lemon": 2}, pour=IN_BASE)
    lines = journal.path.read_text("utf-8").splitlines()
    journal.path.write_text(
        "\n".join(lines).replace('"base": "vanilla"', '"base": "oat"', 1) + "\n"
    )
    with pytest.raises(sm.FileError, match="is not one of the journal's bases"):
        sm.Journal(journal.path)


def test_a_bar_of_white_alone_teaches_nothing_of_a_base(journal: sm.Journal) -> None:
    journal.add({}, (94, 0, 3), pour=sm.Pour(batch_g=250, base=BASE, white=1.0))
    assert f"{BASE}: never measured" in str(journal.report())
    assert journal.next().recipe.pour.base == BASE
