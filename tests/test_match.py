"""The main job: against another solver, against enumeration, against facts of the trade."""

from __future__ import annotations

import itertools
import json

import iadpython
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution

import shadematch as sm
from shadematch.arrays import FloatArray
from shadematch.difference import delta_e
from shadematch.optics.transport import ASYMMETRY, REFRACTIVE_INDEX
from shadematch.prediction import Model, model_for
from shadematch.standards import WAVELENGTHS_NM
from tests.problems import invented_palette, problem
from tests.test_prediction import with_chalk

R0 = ((REFRACTIVE_INDEX - 1) / (REFRACTIVE_INDEX + 1)) ** 2


def by_adding_doubling(mu_a: float, mu_s: float, thickness: float, backing: float) -> float:
    """One wavelength of a bar on a backing, from iadpython (S. A. Prahl), gloss left out."""
    scattering = mu_s / (1 - ASYMMETRY)
    sample = iadpython.Sample(
        a=scattering / (scattering + mu_a),
        b=(scattering + mu_a) * thickness,
        g=ASYMMETRY,
        n=REFRACTIVE_INDEX,
        quad_pts=24,
    )
    r1, t1, rd, td = sample.rt()
    return float(r1 - R0 + t1 * td * backing / (1 - backing * rd))


@pytest.mark.slow
@pytest.mark.parametrize("part", range(4))
def test_recipes_of_another_solver_are_found(part: int) -> None:
    # 100 random whole-centimetre recipes; their spectra come from adding and doubling.
    rng = np.random.default_rng(100 + part)
    palette = sm.load_palette()
    n = len(palette.pigments)
    for i in range(25):
        pour = sm.Pour(
            batch_g=float(rng.choice([200, 500])),
            thickness_cm=float(rng.choice([1.0, 2.0])),
            white=float((0.0, 0.0, 0.1, 0.5, 1.0)[i % 5]),
        )
        shares = rng.dirichlet(np.full(n + 1, 0.5))[:n]
        steps = np.floor(shares * (pour.max_steps + 1)).astype(int)
        model = Model(palette, pour.thickness_cm, pour.white, sm.View())
        mu_a = model.base_absorption + steps * pour.load_per_step @ model.absorption
        spectrum = [
            by_adding_doubling(a, s, pour.thickness_cm, 0.9)
            for a, s in zip(mu_a, model.base_scattering, strict=True)
        ]
        target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), np.clip(spectrum, 0, 1))
        found = sm.match(target, pour=pour, tolerance=0.0)
        assert found.delta_e <= 0.1, (steps, pour, found)
        assert found.proved


def test_no_miss_against_enumeration() -> None:
    # 300 problems, 2 to 6 pigments, 100 g to 1 kg. (test_proof has the harder ones.)
    for seed in range(300):
        rng = np.random.default_rng(1000 + seed)
        count = int(rng.integers(2, 7))
        palette = invented_palette(rng, count) if seed % 2 else sm.load_palette()
        count = len(palette.pigments)
        pour = sm.Pour(
            batch_g=float(rng.choice([100, 200, 300] if count > 3 else [100, 500, 1000])),
            white=float(rng.choice([0.0, 0.3, 1.0])),
            max_load=float(rng.choice([1.0, 2.0, 4.0])),
        )
        target = sm.Target.from_srgb(rng.random(3).tolist())
        match = sm.match(target, palette=palette, pour=pour)
        model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
        steps = every_recipe(count, pour.max_steps)
        values = delta_e(model.lab(steps * pour.load_per_step), np.array(target.lab))
        assert match.closest.delta_e == pytest.approx(values.min(), abs=1e-9)
        assert match.bound <= values.min() + 1e-12
        assert match.proved
        near = steps[values <= values.min() + 0.5]
        assert match.recipe.total_cm == near.sum(axis=1).min()
        # Least paste first, then the closest among those.
        same = values[(values <= values.min() + 0.5) & (steps.sum(axis=1) == match.recipe.total_cm)]
        assert match.delta_e == pytest.approx(same.min(), abs=1e-9)


def every_recipe(count: int, most: int) -> FloatArray:
    """All whole recipes of at most `most` steps, by plain recursion."""
    if count == 0:
        return np.zeros((1, 0))
    rest = every_recipe(count - 1, most)
    parts = [
        np.column_stack([np.full(len(keep), k), keep])
        for k in range(most + 1)
        if len(keep := rest[rest.sum(axis=1) <= most - k])
    ]
    return np.concatenate(parts)


@pytest.mark.slow
def test_full_kilogram_against_enumeration() -> None:
    # 40 cm of five pastes: 1,221,759 recipes, every one looked at.
    steps = every_recipe(5, 40)
    assert len(steps) == 1_221_759
    model = model_for(sm.load_palette(), 1.0, 0.0, sm.View())
    lab = np.concatenate(
        [model.lab(steps[i : i + 50_000] * 0.1) for i in range(0, len(steps), 50_000)]
    )
    for code in ("#d9822b", "#7a3b8f", "#102030", "#c0c0b0", "#ff0000", "#3f7f5f"):
        match = sm.match(code, pour=sm.Pour(batch_g=1000))
        values = delta_e(lab, np.array(sm.Target.from_hex(code).lab))
        assert match.closest.delta_e == pytest.approx(values.min(), abs=1e-9)
        assert match.recipe.total_cm == steps[values <= values.min() + 0.5].sum(axis=1).min()


@pytest.mark.slow
def test_never_worse_than_a_general_solver() -> None:
    for seed in range(30):
        p = problem(seed + 500)
        space, target = p.searcher.whole, p.target
        ours = p.searcher.answer(target, 0.5).closest.delta_e

        def cost(x, space=space, target=target):  # type: ignore[no-untyped-def]
            steps = np.clip(x.T, space.lower, space.upper)
            over = np.maximum(steps.sum(axis=1) - space.max_steps, 0)
            over = over + np.maximum(np.count_nonzero(steps, axis=1) - space.max_tubes, 0)
            return np.where(over > 0, 200.0 + over, delta_e(space.lab(steps), target))

        theirs = differential_evolution(
            cost, [(0, space.max_steps)] * space.size, integrality=[True] * space.size,
            vectorized=True, updating="deferred", polish=False, rng=1,
        ).fun  # fmt: skip
        assert ours <= theirs + 1e-9


def test_scattering_paste_against_enumeration() -> None:
    palette = with_chalk()
    for seed, code in enumerate(("#c9a2ab", "#88aa55", "#e8d8c8", "#405060")):
        pour = sm.Pour(batch_g=250, white=0.1 * seed)
        match = sm.match(code, palette=palette, pour=pour)
        model = model_for(palette, 1.0, pour.white, sm.View())
        steps = every_recipe(4, pour.max_steps)
        # Each by the layer that `predict` uses, one scattering dose at a time.
        lab = np.array([model.lab(row * pour.load_per_step) for row in steps])
        values = delta_e(lab, np.array(sm.Target.from_hex(code).lab))
        assert match.closest.delta_e == pytest.approx(values.min(), abs=1e-9)
        assert match.proved
        assert match.bound <= values.min() + 1e-12
        assert match.recipe.total_cm == steps[values <= values.min() + 0.5].sum(axis=1).min()
        assert match.ideal.delta_e <= match.closest.delta_e + 0.05


colours = st.tuples(*[st.integers(0, 255)] * 3).map(lambda c: f"#{c[0]:02x}{c[1]:02x}{c[2]:02x}")
calm = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


@calm
@given(code=colours, white=st.sampled_from([0.0, 0.4, 1.0]), order=st.permutations(range(5)))
def test_order_of_pigments_does_not_matter(code: str, white: float, order: list[int]) -> None:
    demo = sm.load_palette()
    other = sm.Palette(
        pigments=tuple(demo.pigments[i] for i in order), clear=demo.clear, white=demo.white
    )
    pour = sm.Pour(batch_g=200, white=white)
    a, b = (sm.match(code, palette=p, pour=pour) for p in (demo, other))
    assert a.closest.delta_e == pytest.approx(b.closest.delta_e, abs=1e-9)
    assert a.recipe.total_cm == b.recipe.total_cm
    assert a.delta_e == pytest.approx(b.delta_e, abs=1e-9)


@calm
@given(code=colours, gone=st.integers(0, 4), white=st.sampled_from([0.0, 0.4, 1.0]))
def test_more_choice_is_never_worse(code: str, gone: int, white: float) -> None:
    demo = sm.load_palette()
    pour = sm.Pour(batch_g=200, white=white)
    full = sm.match(code, pour=pour)
    name = demo.names[gone]
    fewer = sm.match(code, palette=demo.without(name), pour=pour)
    avoided = sm.match(code, pour=pour, must_avoid=(name,))
    assert fewer.closest.delta_e >= full.closest.delta_e - 1e-9
    assert avoided.closest.delta_e == pytest.approx(fewer.closest.delta_e, abs=1e-9)
    tighter = sm.match(code, pour=pour.model_copy(update={"max_load": 2.0}))
    assert tighter.closest.delta_e >= full.closest.delta_e - 1e-9
    used = sm.match(code, pour=pour, must_use=(name,), max_pigments=2)
    assert name in used.recipe.doses_cm
    assert name in used.closest.recipe.doses_cm
    assert used.closest.recipe.tubes <= 2
    assert used.closest.delta_e >= full.closest.delta_e - 1e-9


@calm
@given(code=colours, batch=st.sampled_from([100, 300, 700]), tolerance=st.floats(0, 3))
def test_what_every_answer_keeps(code: str, batch: int, tolerance: float) -> None:
    pour = sm.Pour(batch_g=batch)
    m = sm.match(code, pour=pour, tolerance=tolerance)
    for choice in (m.frugal, m.closest):
        assert choice.recipe.total_cm <= pour.max_total_cm + 1e-9
        assert all(d == int(d) and d > 0 for d in choice.recipe.doses_cm.values())
        lab = np.array(sm.predict(choice.recipe.doses_cm, pour=pour).lab)
        assert delta_e(lab, np.array(m.target.lab)) == pytest.approx(choice.delta_e, abs=1e-9)
    assert m.delta_e <= m.closest.delta_e + tolerance + 1e-9
    assert m.recipe.total_cm <= m.closest.recipe.total_cm
    assert m.bound <= m.closest.delta_e
    assert m.ideal.delta_e <= m.closest.delta_e + 1e-6
    assert m.verdict.limit in ("nothing", "whole centimetres", "load limit", "palette")
    assert (m.verdict.limit == "nothing") == (m.closest.delta_e <= 1.0)
    assert str(m)


@pytest.mark.parametrize("code", ["#d9822b", "#8a5a44", "#204080"])
def test_choices_are_a_front(code: str) -> None:
    m = sm.match(code, pour=sm.Pour(batch_g=400))
    rows = [(c.delta_e, c.recipe.total_cm, c.recipe.tubes) for c in m.choices]
    assert rows == sorted(rows)
    assert rows[0][0] == pytest.approx(m.closest.delta_e, abs=1e-9)
    for i, a in enumerate(rows):
        for j, b in enumerate(rows):
            assert i == j or not all(x <= y for x, y in zip(a, b, strict=True))
    # Undominated among all recipes, not only among the listed.
    model = model_for(sm.load_palette(), 1.0, 0.0, sm.View())
    steps = every_recipe(5, 16)
    values = delta_e(model.lab(steps * 0.25), np.array(m.target.lab))
    totals, tubes = steps.sum(axis=1), np.count_nonzero(steps, axis=1)
    for value, total, count in rows:
        better = (values < value - 1e-9) & (totals <= total) & (tubes <= count)
        assert not better.any()


def test_verdicts() -> None:
    assert sm.match("#d9822b", pour=sm.Pour(batch_g=20_000)).verdict.limit == "nothing"
    coarse = sm.match("#d9822b", pour=sm.Pour(batch_g=100)).verdict
    assert coarse.limit == "whole centimetres"
    assert any("batch of" in text for text in coarse.help)
    weak = sm.match("#000000", pour=sm.Pour(batch_g=1000, max_load=1.0)).verdict
    assert weak.limit == "load limit"
    first = sm.load_palette().names[0]
    alone = sm.match("#2040ff", palette=sm.load_palette().only(first), pour=sm.Pour(batch_g=1000))
    assert alone.verdict.limit == "palette"


def test_half_centimetres_and_many_pigments() -> None:
    palette = invented_palette(np.random.default_rng(3), 8)
    m = sm.match("#6a7a8a", palette=palette, pour=sm.Pour(batch_g=300, dose_step_cm=0.5))
    assert m.proved
    assert all((2 * d) == int(2 * d) for d in m.closest.recipe.doses_cm.values())


def test_match_many_is_match() -> None:
    rng = np.random.default_rng(4)
    targets = [sm.Target.from_srgb(c) for c in rng.random((60, 3)).tolist()]
    pour = sm.Pour(batch_g=300)
    seen: list[int] = []
    many = list(sm.match_many(iter(targets), pour=pour, chunk=25, progress=seen.append))
    assert seen == [25, 50, 60]
    for target, m in zip(targets, many, strict=True):
        one = sm.match(target, pour=pour)
        assert m.target is target
        assert m.closest.recipe == one.closest.recipe
        assert m.recipe == one.recipe
        # To rounding: many rows at once are summed in another order than one.
        assert m.delta_e == pytest.approx(one.delta_e, abs=1e-9)
        assert m.proved
        assert m.ideal.delta_e == pytest.approx(one.ideal.delta_e, abs=1e-6)


def test_match_many_in_other_processes_and_with_bad_input() -> None:
    from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

    rng = np.random.default_rng(5)
    targets = [sm.Target.from_srgb(c) for c in rng.random((30, 3)).tolist()]
    pour = sm.Pour(batch_g=200)
    plain = list(sm.match_many(targets, pour=pour))
    with ThreadPoolExecutor(2) as pool:
        threads = list(sm.match_many(targets, pour=pour, executor=pool, chunk=7))
    with ProcessPoolExecutor(2) as pool:
        processes = list(sm.match_many(targets, pour=pour, executor=pool, chunk=7))
    for a, b, c in zip(plain, threads, processes, strict=True):
        assert a.recipe == b.recipe == c.recipe
        assert a.delta_e == b.delta_e == c.delta_e
    with pytest.raises(sm.ColourError, match="hex"):
        list(sm.match_many(["#fff", "nonsense"], pour=pour))
    with pytest.raises(sm.PourError, match="chunk"):
        sm.match_many([], chunk=0)
    assert list(sm.match_many([], pour=pour)) == []


# --- facts of the trade


def test_a_strong_colour_that_one_can_still_see_through() -> None:
    # Common practice, no source: about 2 cm per 100 g is strong, and see-through at 2 cm thick.
    pour = sm.Pour(batch_g=100, thickness_cm=2.0)
    blank = np.array(sm.predict({}, pour=pour).lab)
    for name in sm.load_palette().names:
        strong = sm.predict({name: 2}, pour=pour)
        assert delta_e(np.array(strong.lab), blank) > 25
        through = sm.predict({name: 2}, pour=pour, view=sm.View(light="transmitted"))
        assert through.xyz[1] > 3


def test_the_shade_stops_gaining() -> None:
    # Common practice, no source: beyond about 4 cm per 100 g the shade stops gaining. Measure:
    # CIEDE2000 that one more cm per 100 g brings, in a bar 2 cm thick.
    pour = sm.Pour(batch_g=100, thickness_cm=2.0)
    for name in sm.load_palette().names:
        labs = [np.array(sm.predict({name: d}, pour=pour).lab) for d in range(7)]
        gains = [float(delta_e(a, b)) for a, b in itertools.pairwise(labs)]
        # The fifth cm brings 1.7 to 3.6, the first 25 to 66.
        assert gains[4] < gains[0] / 7
        assert np.all(np.diff(gains) < 0)


@pytest.mark.parametrize("thickness", [1.0, 2.0])
def test_yellow_and_purple_red_make_an_orange(thickness: float) -> None:
    # Common practice, no source: 2 cm yellow + 1 cm of a purple-red make an orange.
    p = sm.predict({"gorse": 2, "rosehip": 1}, pour=sm.Pour(thickness_cm=thickness))
    hue = np.degrees(np.arctan2(p.lab[2], p.lab[1]))
    assert 40 < hue < 75
    assert np.hypot(p.lab[1], p.lab[2]) > 50


def test_same_mould_same_look() -> None:
    # Common practice, no source: one dose looks the same in 50 g at 1 cm, 100 g at 2 cm and
    # 200 g at 4 cm. Load times thickness is the same; what differs is the clear base's own haze.
    for doses in ({"gorse": 2, "rosehip": 1}, {"dusk": 1}, {"jetty": 1, "kelp": 2}):
        labs = [
            np.array(sm.predict(doses, pour=sm.Pour(batch_g=g, thickness_cm=x)).lab)
            for g, x in ((50, 1.0), (100, 2.0), (200, 4.0))
        ]
        assert delta_e(labs[0], labs[1]) < 1.0
        assert delta_e(labs[1], labs[2]) < 2.0


def test_a_blend_is_more_intense_than_white_base() -> None:
    # Common practice, no source: 4 cm of violet per 100 g, 1:1 blend against white base.
    blend, white = (
        sm.predict({"dusk": 4}, pour=sm.Pour(white=w, thickness_cm=2.0)).lab for w in (0.5, 1.0)
    )
    assert np.hypot(*blend[1:]) > np.hypot(*white[1:]) + 2
    assert blend[0] < white[0] - 2


def test_bars_from_a_tube() -> None:
    # Common practice, no source: 85 to 90 cm a tube, so 42 to 45 bars of 100 g at 2 cm each.
    for pigment in sm.load_palette().pigments:
        assert 42 <= pigment.tube_cm // 2 <= 45


# --- bad input


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"target": "orange"}, "hex"),
        ({"target": 3}, "target"),
        ({"pour": sm.Pour(batch_g=10)}, "batch_g"),
        ({"tolerance": -1.0}, "tolerance"),
        ({"tolerance": float("nan")}, "tolerance"),
        ({"max_pigments": 0}, "max_pigments"),
        ({"max_pigments": 1.5}, "max_pigments"),
        ({"must_use": ("ink",)}, "pigment"),
        ({"must_avoid": "ink"}, "pigment"),
        ({"must_use": ("gorse",), "must_avoid": ("gorse",)}, "must_use"),
        ({"must_use": ("gorse", "dusk"), "max_pigments": 1}, "max_pigments"),
    ],
)
def test_bad_question(arguments: dict[str, object], field: str) -> None:
    asked = {"target": "#d9822b", **arguments}
    with pytest.raises(sm.ShadematchError) as found:
        sm.match(asked.pop("target"), **asked)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_everything_avoided_is_no_paste() -> None:
    m = sm.match("#d9822b", must_avoid=sm.load_palette().names)
    assert m.recipe.doses_cm == {}
    json.dumps(m.verdict.sentence)
