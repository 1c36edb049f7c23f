"""Choices by the expected CIEDE2000, against every recipe; and targets that are not known well."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.matching.question import Asked
from shadematch.predicting.uncertainty import Colours, Uncertainty
from shadematch.search import all_recipes
from shadematch.search.all_recipes import AllRecipes
from shadematch.search.near import within
from shadematch.search.nearness import Nearness
from shadematch.search.searcher import Searcher
from shadematch.studio.recipe import Weighed
from shadematch.support.arrays import IntArray
from tests.invented.batches import robust_against_all
from tests.invented.problems import every_recipe, milky, problem, with_chalk


@pytest.mark.parametrize("seed", range(4))
def test_every_recipe_near_a_target_is_listed(seed: int) -> None:
    p = problem(seed, least=21_000, most=60_000)
    norm = minorant(p.target, 4.0)
    far = np.linalg.norm((p.lab - p.target) @ norm.T, axis=1)
    limit = float(np.partition(far, 200)[200]) * (1 + 1e-9)
    if limit == 0:
        pytest.skip("nothing to list")
    steps, near, complete = within(
        Nearness(p.searcher.space, p.target, norms=(norm,)), limit, 10_000
    )
    assert complete
    theirs = {tuple(s) for s in p.steps[far <= limit].tolist()}
    assert {tuple(s) for s in steps.tolist()} == theirs
    assert near == pytest.approx(np.sort(far[far <= limit]), abs=1e-9)
    few = within(Nearness(p.searcher.space, p.target, norms=(norm,)), limit, 20)
    assert not few[2]
    assert few[1] == pytest.approx(near[:20], abs=1e-9)
    # And from the list of all recipes.
    fresh = Searcher(p.searcher.space)
    assert fresh.all_recipes() is not None
    listed, lengths, all_ = fresh.within(
        p.target, (norm,), limit, most=10_000, around=np.zeros(p.searcher.space.size)
    )
    assert all_ and {tuple(s) for s in listed.tolist()} == theirs
    assert lengths == pytest.approx(near, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_no_recipe_is_expected_to_come_nearer(seed: int) -> None:
    found, best, plain = robust_against_all(seed, 200.0 if seed % 2 else None)
    assert found == pytest.approx(best, abs=1e-9)
    assert found <= plain + 1e-9


def test_expectation_by_a_generator_of_other_numbers() -> None:
    """The choice bears slips better than the closest recipe does, poured by plain sampling."""
    pour = sm.Pour(batch_g=1000)
    m = sm.match("#7a3b8f", pour=pour, robust=True)
    assert m.rule == "expected" and m.frugal_proved
    assert m.robust is not None and m.robust.expected is not None
    assert m.frugal.expected is not None
    assert m.recipe == m.frugal.recipe
    assert m.frugal.recipe.total <= m.robust.recipe.total
    assert m.robust.expected <= m.frugal.expected <= m.robust.expected + 0.5
    rng = np.random.default_rng(1)
    means = []
    for choice in (m.robust, m.closest):
        doses = choice.recipe.doses
        read = [{n: d + rng.uniform(-0.2, 0.2) for n, d in doses.items()} for _ in range(600)]
        labs = np.array([sm.predict(each, pour=pour).lab for each in read])
        means.append(float(delta_e(labs, np.array(m.target.lab)).mean()))
    assert means[0] == pytest.approx(m.robust.expected, rel=0.06)
    # Here many centimetres of few pastes bear a ruler better than few of many.
    assert means[0] < 0.8 * means[1]
    fine = sm.match("#7a3b8f", pour=pour, robust=True, dose_slip=0.0, scale_g=0.0)
    assert fine.robust is not None
    assert fine.robust.recipe == fine.closest.recipe
    assert fine.robust.expected == pytest.approx(fine.closest.delta_e, abs=1e-6)


def test_paste_is_not_saved_at_the_cost_of_the_best_estimate() -> None:
    """Little is known, so expectations are much the same far and wide."""
    palette = sm.demo_palette().known_to(0.4)
    m = sm.match("#7a5b4f", palette=palette, pour=sm.Pour(batch_g=500))
    assert m.robust is not None
    assert m.frugal.delta_e <= m.robust.delta_e + m.tolerance
    assert m.frugal.recipe.total <= m.robust.recipe.total


def test_what_is_best_when_nothing_is_off_stays() -> None:
    pour = sm.Pour(batch_g=500)
    plain = sm.match("#7a3b8f", pour=pour)
    m = sm.match("#7a3b8f", pour=pour, robust=True)
    assert (plain.rule, plain.robust, plain.frugal.expected) == ("nominal", None, None)
    assert (m.closest, m.bound, m.proved) == (plain.closest, plain.bound, plain.proved)
    assert "expected" in str(m) and "closest" in plain.chosen_by
    assert plain.spread.p90 > plain.delta_e and plain.spread.recipe == plain.recipe


def test_a_palette_that_says_how_well_it_is_known_is_counted() -> None:
    palette, pour = sm.demo_palette().known_to(0.1), sm.Pour(batch_g=300)
    m = sm.match("#7a5b4f", palette=palette, pour=pour)
    assert m.rule == "expected"
    assert m == sm.match("#7a5b4f", palette=palette, pour=pour, robust=True)
    targets = ["#7a5b4f", "#d9822b"]
    many = list(sm.match_many(targets, palette=palette, pour=pour))
    assert many == [sm.match(t, palette=palette, pour=pour) for t in targets]
    robust = next(sm.match_many(["#7a5b4f"], pour=pour, robust=True, dose_slip=0.4))
    assert robust == sm.match("#7a5b4f", pour=pour, robust=True, dose_slip=0.4)


@pytest.mark.parametrize("options", [{}, {"robust": True}, {"lights": ["D65", "A"]}])
def test_how_well_the_target_is_known_changes_no_choice(options: dict[str, object]) -> None:
    pour, lab = sm.Pour(batch_g=500), (62.0, 26.0, 53.0)
    exact = sm.match(sm.Target.from_lab(lab), pour=pour, **options)  # type: ignore[arg-type]
    vague = sm.Target.from_lab(lab, covariance=np.diag([25.0, 9.0, 9.0]).tolist())
    found = sm.match(vague, pour=pour, **options)  # type: ignore[arg-type]
    assert (found.frugal, found.closest, found.robust) == (
        exact.frugal,
        exact.closest,
        exact.robust,
    )
    assert found.spread.p90 > 2 * exact.spread.p90
    assert found.spread.largest == "target" == found.verdict.limit
    assert found.frugal.delta_e <= found.closest.delta_e + 0.5 or found.rule == "expected"


@pytest.mark.parametrize("white", [0.0, 0.2])
def test_pastes_that_scatter(white: float) -> None:
    palette = with_chalk().known_to(0.1)
    pour = sm.Pour(batch_g=200, white=white)
    m = sm.match("#b08a60", palette=palette, pour=pour)
    assert m.robust is not None and m.frugal_proved
    known = Uncertainty(palette, pour, sm.View(), dose_slip=0.2, scale_g=1.0)
    every = every_recipe(len(palette.names), pour.max_steps)
    colours = known.colours(every)
    values = colours.expected(np.array([m.target.lab]))
    plain = delta_e(colours.lab[:, 0], np.array(m.target.lab))
    assert m.robust.expected == pytest.approx(values.min(), abs=1e-9)
    good = (values <= values.min() + 0.5) & (plain <= plain[values.argmin()] + 0.5)
    assert m.recipe.total == every[good].sum(axis=1).min()


def test_nothing_is_claimed_where_nothing_is_shown() -> None:
    # Beyond some CIEDE2000 the norm tells so little that too many recipes would have to be told.
    palette, pour = sm.demo_palette().known_to(0.8), sm.Pour(batch_g=1000)
    m = sm.match("#5a3a8f", palette=palette, pour=pour)
    assert not m.frugal_proved
    assert "not proved" in str(m)


@pytest.mark.parametrize("lights", [(), ("D65", "A")])
def test_let_downs_and_lights_against_all(lights: tuple[str, ...]) -> None:
    rosehip = sm.LetDown.made("rosehip", paste=1, base_g=25, step_g=2)
    palette, pour = sm.demo_palette().only("gorse", "rosehip"), sm.Pour(batch_g=100)
    m = sm.match(
        "#eab9a9", palette=palette, pour=pour, lights=lights, let_downs=[rosehip], robust=True
    )
    assert m.robust is not None and m.robust.expected is not None and m.frugal_proved
    if lights:
        assert m.delta_e == pytest.approx(max(m.lights.values()), abs=1e-9)
    asked = Asked(palette, pour, sm.View(), lights=lights, let_downs=(rosehip,))
    every = np.array(
        [
            (gorse, squeezed, 2.0 * steps)
            for gorse in range(5)
            for squeezed in range(5 - gorse)
            for steps in range(13 if not squeezed else 1)
            if gorse + squeezed + 0.08 * steps <= 4
        ]
    )
    known = Uncertainty(
        palette,
        pour,
        asked.views[0],
        dose_slip=0.2,
        scale_g=1.0,
        let_downs=(rosehip,),
        lights=lights,
    )
    aims = np.array([m.target.lab_in(view) for view in asked.views])
    values = known.colours(every).expected(aims)
    assert m.robust.expected <= values.min() + 1e-9
    # The same by the full model, for the one that is poured.
    part = tuple(Weighed(w.let_down, w.mass_g) for w in m.robust.recipe.weighed)
    strayed = sm.spread(
        sm.Recipe(dict(m.robust.recipe.doses), pour, part),
        palette=palette,
        target=m.target,
        lights=lights,
    )
    assert strayed.mean == pytest.approx(m.robust.expected, rel=0.05)


def test_kept_in_a_file_and_on_the_sheet(tmp_path: Path) -> None:
    rosehip = sm.LetDown.made("rosehip", paste=1, base_g=25)
    for options in (
        {"robust": True, "dose_slip": 0.3},
        {"lights": ["D65", "A"], "let_downs": [rosehip], "robust": True},
        {"palette": sm.demo_palette().known_to(0.1)},
        {"dose_slip": 0.1},
    ):
        m = sm.match("#eab9a9", pour=sm.Pour(batch_g=100), **options)  # type: ignore[arg-type]
        place = tmp_path / f"{len(list(tmp_path.iterdir()))}.json"
        sm.save(m, place)
        back = sm.read(place)
        assert back.match == m
        assert back.match is not None
        assert back.match.spread == m.spread
        assert back.match.verdict == m.verdict
        words = " ".join(str(sm.batch_sheet(m)).split())
        assert f"nine in ten within {m.spread.p90:.1f}" in words


@pytest.mark.parametrize(
    ("asked", "field"),
    [({"robust": "yes"}, "robust"), ({"dose_slip": -1}, "dose_slip"), ({"scale_g": 99}, "scale_g")],
)
def test_refused(asked: dict[str, object], field: str) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.match("#d9822b", **{"robust": True, "pour": sm.Pour(batch_g=100), **asked})  # type: ignore[arg-type]
    assert found.value.field == field
    with pytest.raises(sm.PourError):
        sm.match_many(["#d9822b"], **{"pour": sm.Pour(batch_g=100), **asked})  # type: ignore[arg-type]


def test_small_batches_are_weighed_finely() -> None:
    assert sm.match("#d9822b", pour=sm.Pour(batch_g=2, dose_step=0.01)).readings.scale_g == 0.5


def test_little_known_is_said_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Most recipes are then near enough: not each is computed exactly, and nothing is proved."""
    exact: list[int] = []
    made_right = AllRecipes._made_right

    def counted(self: AllRecipes, places: IntArray) -> bool:
        exact.append(len(places))
        return made_right(self, places)

    monkeypatch.setattr(AllRecipes, "_made_right", counted)
    monkeypatch.setattr(all_recipes, "_MOST_EXACT", 50)
    palette, pour = milky(np.random.default_rng(1), 3, 3).known_to(1.0), sm.Pour(batch_g=200)
    asked = {"palette": palette, "pour": pour}
    question = sm.match("#7a5b4f", **asked)._question.asked  # type: ignore[arg-type]
    assert question.searcher.all_recipes() is not None
    m = sm.match("#7a5b4f", **asked)  # type: ignore[arg-type]
    assert sum(exact) < 100 < question.searcher.space.limits.count()
    assert m.robust is not None and m.robust.expected is not None and not m.frugal_proved
    known = Uncertainty(palette, pour, sm.View(), dose_slip=0.2, scale_g=1.0)
    doses = np.array([[m.closest.recipe.doses.get(n, 0.0) for n in palette.names]])
    closest = float(known.colours(doses).expected(np.array([m.target.lab]))[0])
    assert m.robust.expected <= closest + 1e-9
    assert m.frugal.delta_e <= m.robust.delta_e + m.tolerance
    judged: list[int] = []
    floor = Colours.floor
    monkeypatch.setattr(
        Colours, "floor", lambda self, *rest: judged.append(len(self.lab)) or floor(self, *rest)
    )
    hasty = sm.match("#2b3ad9", seconds=1e-6, **asked)  # type: ignore[arg-type]
    assert sum(judged) <= 256 and not hasty.frugal_proved
