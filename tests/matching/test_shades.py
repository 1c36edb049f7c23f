"""A few shades from one pot: what is poured, and what the nearest of them comes to."""

from __future__ import annotations

import itertools
import pickle

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.matching.shades import Shades
from shadematch.predicting.prediction import model_of
from tests.invented.problems import with_chalk

POUR = sm.Pour(batch_g=500)


def vague(lab: tuple[float, float, float], *sd: float) -> sm.Target:
    return sm.Target.from_lab(lab, covariance=np.diag(np.square(sd)).tolist())


def poured(shades: Shades, dab_g: float) -> list[dict[str, float]]:
    """Loads [per 100 g] of each, by melting, adding and taking out, gram by gram."""
    mass, held, loads = 500.0, dict[str, float](), []
    for shade in shades:
        for name, dose in shade.added.items():
            held[name] = held.get(name, 0.0) + dose
        loads.append({name: 100.0 * dose / mass for name, dose in held.items()})
        share = dab_g / mass
        held = {name: dose * (1.0 - share) for name, dose in held.items()}
        mass -= dab_g
    return loads


@pytest.mark.parametrize("dab_g", [20.0, 60.0])
def test_what_is_in_the_pot(dab_g: float) -> None:
    shades = sm.match(vague((62, 26, 53), 5, 3, 3), pour=POUR).shades(3, dab_g=dab_g)
    assert len(shades) == 3
    for shade, loads in zip(shades, poured(shades, dab_g), strict=True):
        assert all(dose == int(dose) > 0 for dose in shade.added.values())
        own = {n: 100.0 * d / shade.recipe.pour.batch_g for n, d in shade.recipe.doses.items()}
        assert own == pytest.approx(loads, abs=1e-6)
        assert sum(loads.values()) <= POUR.max_load + 1e-9
        # The colour of a batch with these loads.
        again = sm.predict({n: 5.0 * load for n, load in loads.items()}, pour=POUR)
        assert shade.predicted.lab == pytest.approx(again.lab, abs=1e-6)
        assert shade.target.lab == shade.predicted.lab
    assert sum(shade.share for shade in shades) == pytest.approx(1.0)
    lightness = [shade.predicted.lab[0] for shade in shades]
    assert lightness == sorted(lightness, reverse=True)  # paste only darkens


@pytest.mark.parametrize(
    ("lab", "sd", "batch"),
    [
        ((62, 26, 53), (5, 3, 3), 500),
        ((50, 20, -10), (5, 3, 3), 500),
        ((45, 15, 20), (8, 5, 5), 1000),
        ((62, 26, 53), (1, 5, 5), 500),
    ],
)
def test_the_nearest_of_three_by_draws_of_other_numbers(
    lab: tuple[float, float, float], sd: tuple[float, float, float], batch: float
) -> None:
    m = sm.match(vague(lab, *sd), pour=sm.Pour(batch_g=batch))
    shades = m.shades(3)
    rng = np.random.default_rng(5)
    wanted = np.array(lab) + rng.normal(size=(4000, 3)) * sd
    made = np.array([shade.predicted.lab for shade in shades])
    values = delta_e(made[:, None], wanted).min(axis=0)
    alone = delta_e(np.array(m.predicted.lab), wanted)
    # Slips are small beside what is not known of the target, and left out here.
    assert values.mean() == pytest.approx(shades.expected, rel=0.08)
    assert alone.mean() == pytest.approx(shades.alone_expected, rel=0.08)
    assert np.quantile(values, 0.9) == pytest.approx(shades.p90, rel=0.08)
    assert values.mean() < 0.75 * alone.mean()


@pytest.mark.parametrize(("lab", "sd"), [((70, 22, 45), (6, 4, 4)), ((60, 30, 60), (1, 5, 5))])
def test_no_chain_among_all_is_nearer(
    lab: tuple[float, float, float], sd: tuple[float, float, float]
) -> None:
    """Two pastes in 200 g: every first shade, every second, every third."""
    palette, pour = sm.demo_palette().only("gorse", "rosehip"), sm.Pour(batch_g=200)
    m = sm.match(vague(lab, *sd), palette=palette, pour=pour, dose_slip=0.0, scale_g=0.0)
    added = np.array([row for row in itertools.product(range(9), repeat=6) if sum(row) <= 8])
    added = added.reshape(-1, 3, 2)
    added = added[added.any(axis=2).all(axis=1)]
    made = np.cumsum(added * np.array([1.0, 200 / 185, 200 / 170])[:, None], axis=1)
    made = made[made[:, -1].sum(axis=1) <= 8.0]
    recipes, which = np.unique(made.reshape(-1, 2).round(9), axis=0, return_inverse=True)
    labs = model_of(palette, pour, sm.View()).lab(recipes * 100.0 / 200)
    wanted = np.array(lab) + np.random.default_rng(7).normal(size=(1000, 3)) * sd
    off = delta_e(labs[:, None], wanted)[which.reshape(-1, 3)]
    best = float(off.min(axis=1).mean(axis=1).min())
    shades = np.array([shade.predicted.lab for shade in m.shades(3, dab_g=15.0)])
    own = float(delta_e(shades[:, None], wanted).min(axis=0).mean())
    assert len(off) > 800
    assert own <= 1.01 * best


def test_no_farther_than_what_many_random_starts_led_to() -> None:
    """The chain was found once, by exchanges of steps from 200 random chains."""
    m = sm.match(vague((32.5, -53.4, 5.8), 3, 2, 2), pour=POUR)
    added = np.array([[4, 0, 6, 3, 0], [0, 0, 0, 0, 1], [0, 1, 2, 0, 2]])
    made = np.cumsum(added * np.array([1.0, 500 / 480, 500 / 460])[:, None], axis=0)
    labs = model_of(m.palette, POUR, sm.View()).lab(made * 100.0 / 500)
    wanted = np.array(m.target.lab) + np.random.default_rng(7).normal(size=(4000, 3)) * (3, 2, 2)
    shades = np.array([shade.predicted.lab for shade in m.shades(3)])
    known, own = (delta_e(each[:, None], wanted).min(axis=0).mean() for each in (labs, shades))
    assert own <= 1.01 * known


def test_limits_are_kept() -> None:
    m = sm.match(vague((45, 30, 30), 6, 4, 4), pour=POUR, max_pigments=2, must_avoid=("jetty",))
    for shade in m.shades(3):
        assert shade.recipe.tubes <= 2
        assert "jetty" not in shade.recipe.doses


def test_with_lights_scattering_pastes_and_pastes_that_are_not_known() -> None:
    palette = with_chalk().known_to(0.2)
    m = sm.match("#b08a60", palette=palette, pour=POUR, lights=["D65", "A"])
    shades = m.shades(2)
    assert shades.expected < shades.alone_expected
    assert "nine times in ten" in shades.sentence


def test_said_kept_and_matched() -> None:
    m = sm.match(vague((62, 26, 53), 5, 3, 3), pour=POUR)
    shades = m.shades()
    assert pickle.loads(pickle.dumps(shades)) == shades
    text = str(shades)
    assert "take out 20 g" in text and "the 480 g left" in text and "pour the rest" in text
    assert shades.sentence in text and "powder dust" in shades._repr_html_()
    chosen = sm.match(shades[1], pour=sm.Pour(batch_g=1000))
    assert chosen.target.source == "a shade that was chosen"
    assert chosen.delta_e < 3.0
    assert any("three shades from one pot" in text for text in m.verdict.help)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"count": 1}, "count"),
        ({"count": 2.0}, "count"),
        ({"count": True}, "count"),
        ({"dab_g": 0.0}, "dab_g"),
        ({"dab_g": 200.0}, "dab_g"),
        ({"dab_g": float("nan")}, "dab_g"),
    ],
)
def test_refused(asked: dict[str, object], field: str) -> None:
    m = sm.match("#d9822b", pour=POUR)
    with pytest.raises(sm.PourError) as found:
        m.shades(**asked)  # type: ignore[arg-type]
    assert found.value.field == field


@pytest.mark.parametrize("wanted", ["#d9822b", "#cc3344", "#304060"])
def test_a_shade_that_would_not_be_chosen_is_left_out(wanted: str) -> None:
    shades = sm.match(wanted, pour=POUR).shades(4)
    assert len(shades) == 2 or min(shade.share for shade in shades) >= 0.02
    assert sum(shade.share for shade in shades) == pytest.approx(1.0)
    vaguely = sm.match(vague((62, 26, 53), 5, 3, 3), pour=POUR).shades(4)
    assert len(vaguely) > 2


def test_where_nothing_more_may_be_added() -> None:
    full = sm.match("#000000", pour=sm.Pour(batch_g=100, max_load=1.0))
    with pytest.raises(sm.PourError) as found:
        full.shades(3, dab_g=10.0)
    assert found.value.field == "max_load"
    # 8 cm in all: there is no room for six shades that are worth it, but for some.
    few = sm.match(vague((62, 26, 53), 5, 3, 3), pour=sm.Pour(batch_g=200)).shades(6)
    assert 3 <= len(few) < 6
    assert few.expected < few.alone_expected


def test_on_the_sheet() -> None:
    m = sm.match(vague((62, 26, 53), 5, 3, 3), pour=POUR)
    shades = m.shades(3)
    sheet = str(sm.batch_sheet(m, shades=shades))
    for name, dose in shades[0].added.items():
        assert f"{dose:g} cm  {name}" in sheet
    words = " ".join(sheet.split())
    assert f"To the 460 g left, add {shades[2]}; stir." in words
    assert words.count("Take 20 g out and let it set, 1 cm thick") == 2
    assert shades.sentence in words and str(m.target) in words
    other = sm.match("#d9822b", pour=POUR)
    with pytest.raises(sm.PourError) as found:
        sm.batch_sheet(other, shades=shades)
    assert found.value.field == "shades"
    assert "One recipe does as well" in other.shades(3).sentence


def test_the_sheet_says_which_bar_to_keep() -> None:
    unsure = sm.match("#7a5b4f", palette=sm.demo_palette().known_to(0.2), pour=POUR)
    assert unsure.spread.largest == "pastes" == unsure.verdict.limit
    assert "measure it once it is cold" in " ".join(str(sm.batch_sheet(unsure)).split())
    assert any("measure it and learn from it" in text for text in unsure.verdict.help)
    assert "once it is cold" not in str(sm.batch_sheet(sm.match("#7a5b4f", pour=POUR)))


def test_no_shade_is_a_mere_step_on_the_way() -> None:
    """A well-known colour needs no choice; still each dab is one that somebody may want."""
    shades = sm.match("#d9822b", pour=sm.Pour(batch_g=500)).shades(3)
    assert all(shade.delta_e < 3.0 and shade.share > 0.1 for shade in shades)
    assert "One recipe does as well" in shades.sentence
