"""The journal as a studio uses it, in an invented world that another solver computes."""

from __future__ import annotations

import functools
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from tests.invented import worlds
from tests.invented.studio import NAMES, Bench, begun


@functools.cache
def taught(folder: Path) -> tuple[Bench, Path]:
    """Twelve bars in a file."""
    bench = Bench()
    bench.taught(begun(folder), 12)
    return bench, folder / "journal.jsonl"


@pytest.fixture
def shared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Path]:
    base = tmp_path_factory.getbasetemp() / "taught"
    base.mkdir(exist_ok=True)
    return taught(base)


@pytest.fixture
def journal(shared: tuple[Bench, Path], tmp_path: Path) -> sm.Journal:
    shutil.copy(shared[1], tmp_path / "journal.jsonl")
    return sm.Journal(tmp_path / "journal.jsonl")


def miss(bench: Bench, journal: sm.Journal, count: int = 20) -> float:
    """Mean CIEDE2000 of predictions of unseen mixtures in thicknesses and bases."""
    far = []
    for doses, pour in worlds.unseen(bench.world, np.random.default_rng(9), count):
        lab = sm.predict(doses, palette=journal.palette, pour=pour).lab
        far.append(float(delta_e(np.array(lab), np.array(bench.true(doses, pour)))))
    return float(np.mean(far))


def test_a_new_studio_asks_for_one_bar_of_each_paste(tmp_path: Path) -> None:
    bench, journal = Bench(2), begun(tmp_path)
    asked = []
    for _ in NAMES:
        bar = journal.next()
        assert "never measured" in bar.why and bar.after < bar.before
        assert "Hot base burns" in bar._repr_html_()
        asked += bar.recipe.doses
        lesson = journal.add(bar.recipe, bench.read(bar.recipe.doses, bar.recipe.pour))
        assert lesson.fits
    assert sorted(asked) == sorted(NAMES)
    later = journal.next(batch_g=400)
    assert later.recipe.pour.batch_g == 400 and later.after < later.before


def test_it_learns(shared: tuple[Bench, Path], tmp_path: Path) -> None:
    bench, path = shared
    lines = path.read_text("utf-8").splitlines(keepends=True)
    (tmp_path / "few.jsonl").write_text("".join(lines[:4]), encoding="utf-8")
    few, all_ = sm.Journal(tmp_path / "few.jsonl"), sm.Journal(path)
    assert len(few.lessons) == 3 and len(all_.lessons) == 12
    assert miss(bench, all_) < min(1.5, 0.6 * miss(bench, few))
    assert all(lesson.fits for lesson in all_.lessons)
    known = {n: k[1] for lesson in all_.lessons for n, k in lesson.known_to.items()}
    assert max(known.values()) < 0.15
    assert 0.6 <= np.mean([lesson.contains(0.9) for lesson in all_.lessons]) <= 1.0


def test_it_does_not_learn_a_wild_base_from_strong_pastes(tmp_path: Path) -> None:
    """A world in which the fit once explained a strong yellow by a base that absorbs and scatters
    a hundred times as much as bases do, and put every bar aside that came after."""
    bench = Bench(15, names=("amber", "brick", "sea"))
    journal = bench.taught(sm.Journal(tmp_path / "j.jsonl", pigments=bench.names), 8)
    assert not any(lesson.aside for lesson in journal.lessons)
    clear, true = journal.palette.clear, bench.world.clear[1]
    assert np.all(np.array(clear.scattering) < 10.0 * true)


def test_a_palette_like_any_other(journal: sm.Journal) -> None:
    palette = journal.palette
    assert palette.names == NAMES and palette.unit == "cm"
    assert palette.uncertainty is not None and 0 < len(palette.uncertainty.modes) <= 100
    match = sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=300))
    spread = sm.spread(match.recipe, palette=palette)
    assert spread.causes["pastes"] > 0 and spread.causes["model"] > 0
    sm.save(palette, journal.path.parent / "palette.json")
    assert sm.read(journal.path.parent / "palette.json", sm.Palette) == palette


def test_opened_again_it_is_bit_for_bit_the_same(journal: sm.Journal) -> None:
    again = sm.Journal(journal.path, pigments=reversed(NAMES))
    one, two = journal._history.belief.now, again._history.belief.now
    assert np.array_equal(one.mean, two.mean)
    assert np.array_equal(one.covariance, two.covariance)
    assert again.palette == journal.palette
    bench = Bench(7)
    doses, pour = bench.bar()
    journal.add(doses, bench.read(doses, pour), pour=pour)
    third = sm.Journal(journal.path)._history.belief.now
    assert np.array_equal(third.mean, journal._history.belief.now.mean)


def test_another_order_teaches_the_same(shared: tuple[Bench, Path], tmp_path: Path) -> None:
    bench, path = shared
    told = sm.Journal(path)
    turned = begun(tmp_path, "turned.jsonl")
    for batch in reversed(told.batches):
        turned.add(batch.recipe, batch.measured[0])
    assert abs(miss(bench, turned) - miss(bench, told)) < 0.3


def test_a_batch_is_poured_and_measured_later(journal: sm.Journal) -> None:
    bench = Bench()
    match = sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500))
    left = journal.left
    number = journal.pour(match, fields={"base lot": "A7", "date": 20261129})
    assert number == 13
    for name, dose in match.recipe.doses.items():
        assert journal.left[name] == pytest.approx(left[name] - dose)
    batch = journal.batches[-1]
    assert batch.fields == {"base lot": "A7", "date": "20261129"}
    assert batch.wanted == pytest.approx(match.target.lab)
    assert "not measured" in str(batch)
    before = len(journal.lessons)
    lesson = journal.measured(number, bench.read(match.recipe.doses, match.pour), age_days=3)
    assert lesson.batch == number and len(journal.lessons) == before + 1
    assert journal.batches[-1].measured == (lesson.measured,)
    with pytest.raises(sm.PourError, match=r"batch: is not a batch.*\(got 99\).*from 1 to 13"):
        journal.measured(99, (50, 0, 0))


def test_the_same_twice_is_no_second_bar(journal: sm.Journal) -> None:
    batch = journal.batches[-1]
    with pytest.raises(sm.PourError, match=r"appears twice.*batch 12"):
        journal.add(batch.recipe, batch.measured[0])
    with pytest.raises(sm.PourError, match=r"appears twice.*batch 12"):
        journal.measured(12, batch.measured[0])
    assert len(journal.batches) == 12


def test_doses_come_as_people_have_them(journal: sm.Journal) -> None:
    pour = sm.Pour(batch_g=300)
    doses = pd.Series({"Lemon": np.int64(3), "sea": 0.0})
    lesson = journal.add(doses, np.array([80.0, -5.0, 60.0]), pour=pour)  # type: ignore[arg-type]
    assert lesson.recipe.doses == {"lemon": 3.0}
    assert lesson.recipe.pour.thickness_cm == 1.0 and "1 cm thick" in str(lesson)
    blank = journal.add({}, (95, -1, 3), pour=pour)
    assert blank.recipe.doses == {}
    with pytest.raises(sm.PourError, match="pour: must say how much base"):
        journal.add({"lemon": 2}, (80, 0, 50))
    with pytest.raises(sm.PourError, match="pour: has no effect: the recipe has its own"):
        journal.add(sm.Recipe({"lemon": 2}, pour), (80, 0, 50), pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.UnknownNameError, match=r"no such paste.*lemon"):
        journal.add({"lemmon": 2}, (80, 0, 50), pour=pour)
    with pytest.raises(sm.PourError, match=r"doses\.lemon"):
        journal.add({"lemon": -2}, (80, 0, 50), pour=pour)
    with pytest.raises(sm.PourError, match="doses: is in g"):
        journal.add(sm.Recipe({"lemon": 2}, pour, unit="g"), (80, 0, 50))
    with pytest.raises(sm.ColourError):
        journal.add({"lemon": 2}, (80, 400, 50), pour=pour)
    with pytest.raises(sm.ColourError, match="three finite numbers"):
        journal.add({"lemon": 2}, (80, float("nan"), 50), pour=pour)
    with pytest.raises(sm.PourError, match="means: must be 'colorimeter' or 'phone'"):
        journal.add({"lemon": 2}, (80, 0, 50), pour=pour, means="eye")  # type: ignore[arg-type]
    assert len(journal.batches) == 14


def test_a_spectrum_and_a_photo_teach_too(journal: sm.Journal) -> None:
    bench, (doses, pour) = Bench(5), ({"lemon": 3.0}, sm.Pour(batch_g=300))
    spectrum = Bench().world.spectrum(worlds.loads(doses, pour), pour)
    target = sm.Target.from_reflectance(worlds.NM, np.clip(spectrum, 0, 1))
    before = journal._history.belief.strength(journal._history.studio.open["lemon"])[1]
    lesson = journal.add(doses, target, pour=pour)
    assert lesson.fits and lesson.known_to["lemon"][1] < before
    seen = sm.Target(bench.true({"brick": 2.0}, pour), covariance=np.diag([4.0, 4.0, 4.0]))  # type: ignore[arg-type]
    photo = journal.add({"brick": 2.0}, seen, pour=pour)
    assert journal.events[-1].reading.means == "phone"  # type: ignore[union-attr]
    assert photo.covariance[0, 0] > 4.0


def test_a_void_batch_never_was(journal: sm.Journal) -> None:
    clean = journal._history.belief.now.mean
    left = journal.left
    lesson = journal.add({"lemon": 9}, (40, 30, 10), pour=sm.Pour(batch_g=300))
    assert journal.left["lemon"] == left["lemon"] - 9
    journal.void(lesson, why="miscounted")
    assert journal.left == left and len(journal.batches) == 12
    assert np.array_equal(journal._history.belief.now.mean, clean)
    assert np.array_equal(sm.Journal(journal.path)._history.belief.now.mean, clean)
    assert len(journal.events) == 15  # appended, never erased
    with pytest.raises(sm.PourError, match="or was voided"):
        journal.void(lesson)
    assert journal.pour({"lemon": 1}, pour=sm.Pour(batch_g=100)) == 14  # no number twice


def test_a_reading_alone_can_be_void(journal: sm.Journal) -> None:
    number = journal.pour({"lemon": 4}, pour=sm.Pour(batch_g=300))
    with pytest.raises(sm.PourError, match="was never measured"):
        journal.void(number, reading_only=True)
    journal.measured(number, (40, 30, 10))
    journal.void(number, reading_only=True)
    assert journal.batches[-1].measured == () and len(journal.lessons) == 12


def test_corrections_are_one_chain(journal: sm.Journal) -> None:
    bench = Bench()
    match = sm.match("#c8a050", palette=journal.palette, pour=sm.Pour(batch_g=500))
    number = journal.pour(match)
    off = bench.read({n: 0.7 * d for n, d in match.recipe.doses.items()}, match.pour)
    left = journal.left
    journal.measured(number, off)
    found = journal.correct(number, off, within=0.5)
    assert len(journal.batches[-1].measured) == 1  # the same reading teaches once
    assert found.target.lab == pytest.approx(match.target.lab)
    assert not found.advice.nothing
    journal.added(number, found)
    batch = journal.batches[-1]
    assert batch.recipe.doses == pytest.approx(dict(found.advice.recipe.doses))
    assert batch.recipe.pour.batch_g == pytest.approx(found.advice.recipe.pour.batch_g)
    for name, dose in found.advice.doses.items():
        assert journal.left[name] == pytest.approx(left[name] - dose)
    journal.measured(number, bench.read(batch.recipe.doses, batch.recipe.pour))
    assert len(journal.batches[-1].measured) == 2
    other = journal.pour({"lemon": 1}, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.PourError, match="target: is missing"):
        journal.correct(other, off)


def test_weighed_paste(tmp_path: Path) -> None:
    journal = sm.Journal(
        tmp_path / "g.jsonl", pigments=["lemon"], unit="g", tube_size={"lemon": 60}
    )
    bar = journal.next()
    assert bar.recipe.unit == "g" and "g lemon" in str(bar) and " cm lemon" not in str(bar)
    journal.add({"lemon": 2.4}, (85, -5, 60), pour=sm.Pour(batch_g=250))
    assert journal.palette.unit == "g" and journal.left == {"lemon": pytest.approx(57.6)}
    with pytest.raises(sm.PourError, match="unit: is in cm, and the journal's doses are in g"):
        sm.Journal(journal.path, unit="cm")
    bare = sm.Journal(tmp_path / "h.jsonl", pigments=["lemon"], unit="g")
    assert bare.left == {}


def test_a_known_palette_is_where_it_begins(tmp_path: Path) -> None:
    demo = sm.demo_palette().only("gorse", "jetty")
    guess = sm.Journal(tmp_path / "guess.jsonl", palette=demo)
    known = sm.Journal(tmp_path / "known.jsonl", palette=demo.known_to(0.05))
    doses, pour = {"gorse": 4.0, "jetty": 1.0}, sm.Pour(batch_g=400)
    wanted = sm.predict(doses, palette=demo, pour=pour).lab
    for journal in (guess, known):
        lab = sm.predict(doses, palette=journal.palette, pour=pour).lab
        assert lab == pytest.approx(wanted, abs=1.0)
    tube = known._history.studio.open["gorse"]
    assert known._history.belief.strength(tube)[1] < 0.15 < 0.3
    assert guess._history.belief.strength(tube)[1] > 0.3


def test_it_says_where_it_stands(journal: sm.Journal) -> None:
    text = str(journal)
    assert "12 batches, 12 measured bars" in text
    assert all(name in text for name in NAMES) and "known to" in text and "cm left" in text
    assert "white" not in text  # what is learnt of a base is not a finding
    assert "<" in journal._repr_html_()
