"""Batches that came out off: what is learned of them, and what to add."""

from __future__ import annotations

import dataclasses
import itertools
import pickle

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.correction.belief import BatchBelief, Priors, first_belief
from shadematch.correction.correct import begun
from shadematch.predicting.prediction import Model
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.studio.uncertainty import Mode, PaletteUncertainty
from shadematch.support.arrays import FloatArray
from tests.invented.batches import Pot, faults, other_surfaces, two_rounds
from tests.invented.problems import bent, with_chalk

PRIORS = Priors(0.1, 0.1, 0.2, 1.0, 0.5)


def belief_of(
    doses: tuple[float, ...] = (2, 3, 0, 4, 1),
    clear: float = 300,
    white: float = 100,
    *,
    palette: sm.Palette | None = None,
    priors: Priors = PRIORS,
) -> BatchBelief:
    palette = sm.demo_palette() if palette is None else palette
    base = np.array([clear, white], float)
    return first_belief(
        palette,
        sm.View(),
        thickness_cm=1.0,
        doses=np.array(doses, float),
        base_g=base,
        priors=priors,
    )


def strong(factors: dict[str, float]) -> sm.Palette:
    """The demo palette with some pastes stronger or weaker."""
    demo = sm.demo_palette()
    pigments = tuple(
        sm.Pigment(
            name=p.name, absorption=tuple(factors.get(p.name, 1.0) * a for a in p.absorption)
        )
        for p in demo.pigments
    )
    return sm.Palette(pigments=pigments, clear=demo.clear, white=demo.white)


# --- what is believed


BENT = bent(with_chalk(4), np.random.default_rng(2))


@pytest.mark.parametrize(
    "palette", [sm.demo_palette(), with_chalk(4), BENT], ids=["clear", "chalk", "bent"]
)
def test_jacobian(palette: sm.Palette) -> None:
    belief = belief_of(palette=palette)
    rng = np.random.default_rng(1)
    size = belief.mean.size
    at = np.concatenate([rng.normal(0, 0.1, 6), rng.uniform(-0.2, 0.2, 5), rng.normal(0, 1, 5)])
    at[8] = 0.05  # the length of a paste that isn't there may only grow
    lab, slope = belief.lab_and_slope(at)
    assert lab == pytest.approx(belief.lab(at[None])[0], abs=1e-10)
    for i, step in enumerate(1e-4 * np.eye(size)):
        up, down = belief.lab((at + step)[None])[0], belief.lab((at - step)[None])[0]
        assert slope[:, i] == pytest.approx(
            (up - down) / 2e-4, abs=2e-3 * (1 + abs(slope[:, i]).max())
        )


def test_before_anything_is_measured_it_is_the_prediction() -> None:
    belief = belief_of()
    doses = {"gorse": 2, "rosehip": 3, "dusk": 4, "kelp": 1}
    predicted = sm.predict(doses, pour=sm.Pour(batch_g=400, white=0.25))
    assert belief.lab(belief.mean[None])[0] == pytest.approx(predicted.lab, abs=2e-3)


def test_learning_is_the_textbook_formula_where_all_is_nearly_linear() -> None:
    # Tarantola (2005), eq. 3.37 to 3.38; the Jacobian here by finite differences.
    belief = belief_of()
    lab = belief.lab(belief.mean[None])[0] + np.array([0.05, -0.04, 0.03])
    noise = np.diag([0.1, 0.2, 0.15]) ** 2
    J = np.stack(
        [
            (belief.lab((belief.mean + s)[None])[0] - belief.lab((belief.mean - s)[None])[0]) / 2e-4
            for s in 1e-4 * np.eye(belief.mean.size)
        ],
        axis=1,
    )
    # Lengths that can't be below zero are one-sided; they have no variance here.
    P = belief.covariance
    gain = P @ J.T @ np.linalg.inv(J @ P @ J.T + noise)
    found, _ = belief.learn(lab, noise)
    wanted = gain @ (lab - belief.lab(belief.mean[None])[0])
    assert found.mean == pytest.approx(wanted, abs=2e-3 * np.abs(wanted).max())
    assert found.covariance == pytest.approx(P - gain @ J @ P, abs=2e-3)
    assert np.all(np.linalg.eigvalsh(found.covariance) > -1e-12)


def test_nothing_more_likely_is_found_by_a_general_minimiser() -> None:
    from scipy.optimize import minimize

    belief = belief_of()
    noise = np.eye(3) * 0.3**2
    used = np.flatnonzero(np.diag(belief.covariance) > 0)
    sd = np.sqrt(np.diag(belief.covariance)[used])
    rng = np.random.default_rng(2)
    for _ in range(3):
        lab = belief.lab(belief.mean[None])[0] + rng.normal(0, 4, 3)
        found, _ = belief.learn(lab, noise)

        def cost(z: FloatArray, lab: FloatArray = lab) -> float:
            at = np.zeros(belief.mean.size)
            at[used] = z * sd
            off = (belief.lab(at[None])[0] - lab) / 0.3
            return float(z @ z + off @ off)

        ours = cost(found.mean[used] / sd)
        theirs = min(minimize(cost, rng.normal(0, 0.5, used.size)).fun for _ in range(2))
        assert ours <= theirs + 1e-3


def test_uncertainties_are_what_they_say() -> None:
    # Batches drawn from what is believed beforehand: strengths must miss by their own deviation,
    # and surprise must be even between 0 and 1.
    belief = belief_of()
    rng = np.random.default_rng(3)
    n, misses, surprises = belief.count, [], []
    for _ in range(150):
        truth = rng.multivariate_normal(belief.mean, belief.covariance)
        lengths = belief.doses * 0 + rng.uniform(-0.2, 0.2, n) * (belief.doses > 0)
        truth[n + 1 : 2 * n + 1] = lengths
        noise = rng.normal(0, 0.3, 3)
        found, surprise = belief.learn(belief.lab(truth[None])[0] + noise, np.eye(3) * 0.09)
        misses.append(
            (truth[: n + 1] - found.mean[: n + 1]) / np.sqrt(np.diag(found.covariance))[: n + 1]
        )
        surprises.append(surprise)
    rms = np.sqrt(np.mean(np.square(misses), axis=0))
    assert np.all((rms > 0.85) & (rms < 1.15)), rms
    assert np.mean(surprises) == pytest.approx(0.5, abs=0.08)
    assert np.mean(np.array(surprises) < 0.1) == pytest.approx(0.1, abs=0.07)


def test_which_paste_ran_strong() -> None:
    # Long doses, so that the ruler explains nothing; a strong paste and a weak one.
    pour = sm.Pour(batch_g=2000, white=0.1)
    recipe = sm.Recipe({"gorse": 20.0, "dusk": 15.0}, pour)
    real = strong({"dusk": 1.25, "gorse": 0.9})
    measured = sm.predict(recipe.doses, palette=real, pour=pour).lab
    wanted = sm.Target(sm.predict(recipe.doses, pour=pour).lab)
    c = sm.correct(recipe, measured, wanted, measured_spread=0.1, model_spread=0.1)
    dusk = next(s for s in c.strengths if s.name == "dusk")
    gorse = next(s for s in c.strengths if s.name == "gorse")
    assert c.strengths[0] == dusk
    assert not dusk.low <= 1 <= dusk.high
    assert dusk.factor == pytest.approx(1.25, abs=0.06)
    assert gorse.factor == pytest.approx(0.9, abs=0.05)
    assert dusk.low < dusk.factor < dusk.high
    assert "dusk" in str(dusk)
    assert "strong" in str(dusk)
    # The learned palette predicts the real batch better than the old one did.
    learned = sm.predict(recipe.doses, palette=c.palette, pour=pour).lab
    assert delta_e(np.array(learned), np.array(measured)) < 0.3 * c.measured_delta_e
    assert c.palette.names == sm.demo_palette().names
    # What isn't in the batch is as unknown as before.
    assert {s.name for s in c.strengths} == {"gorse", "dusk", "white base"}


def test_a_wrong_tube_is_noticed() -> None:
    pour = sm.Pour(batch_g=500)
    recipe = sm.Recipe({"gorse": 8.0, "rosehip": 2.0}, pour)
    wrong = sm.predict({"gorse": 8.0, "jetty": 2.0}, pour=pour).lab
    right = sm.predict(recipe.doses, pour=pour)
    c = sm.correct(recipe, wrong, sm.Target(right.lab))
    assert c.surprise < 0.001
    assert "does not fit this recipe" in str(c)
    assert "does not fit this recipe" in c._repr_html_()
    fine = sm.correct(recipe, right.lab, sm.Target(right.lab))
    assert fine.surprise > 0.9
    assert "does not fit this recipe" not in str(fine)


# --- what to add


@pytest.mark.slow
@pytest.mark.parametrize("part", range(3))
def test_no_miss_against_enumeration(part: int) -> None:
    # ``python -m tests.bench.batch additions`` does 200.
    said = set()
    for seed in range(1000 + part, 1015, 3):
        status, wrong = faults(seed)
        assert not wrong, (seed, wrong)
        said.add(status)
    assert said


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2000, 2006))
def test_no_miss_against_enumeration_where_paste_bends(seed: int) -> None:
    # By all the paste that is in the pot, what was added and what let-downs brought.
    _, wrong = faults(seed, bends=True)
    assert not wrong


def test_what_is_learned_keeps_bends() -> None:
    palette = bent(sm.demo_palette(), np.random.default_rng(1))
    pour = sm.Pour(batch_g=400, white=0.25)
    doses = {"gorse": 9.0, "rosehip": 3.0}
    belief = belief_of((9, 3, 0, 0, 0), 300, 100, palette=palette)
    own = sm.predict(doses, palette=palette, pour=pour)
    assert belief.lab(belief.mean[None])[0] == pytest.approx(own.lab, abs=2e-3)
    c = sm.correct(sm.Recipe(doses, pour), own.lab, sm.Target(own.lab), palette=palette)
    learned = c.palette
    assert [p.bend for p in learned.pigments] == [p.bend for p in palette.pigments]
    assert learned.white.crowding == palette.white.crowding


@pytest.mark.slow
def test_two_rounds_save_batches_of_another_world() -> None:
    # n = 1.46 and g = 0.5; ``python -m tests.bench.batch rounds`` does 200.
    other_surfaces()
    stories = [two_rounds(seed) for seed in range(5000, 5005)]
    saved = [s.delta_e[-1] <= 1.5 for s in stories if s.savable]
    assert len(saved) >= 3
    assert all(saved)


def test_scattering_pastes_too() -> None:
    palette, pour = with_chalk(2), sm.Pour(batch_g=200, max_load=4.0)
    names = palette.names
    doses = {"gorse": 2.0, "chalk": 1.0}
    real = sm.predict({"gorse": 2.5, "chalk": 0.9}, palette=palette, pour=pour)
    aim = sm.predict({"gorse": 3.0, names[1]: 1.0, "chalk": 2.0}, palette=palette, pour=pour)
    c = sm.correct(
        sm.Recipe(doses, pour),
        real.lab,
        sm.Target(aim.lab),
        palette=palette,
        pot_g=220,
        within=2.0,
    )
    belief = c._belief
    lengths, _, base = (part[0] for part in belief.contents(belief.mean[None]))
    best = (np.inf,) * 3
    for grams in (0.0, 10.0, 20.0):
        mass = base.sum() + grams
        model = Model(c.palette, 1.0, 0.0, sm.View())
        room = int(4 * (200 + grams) / 100 - 3 + 1e-9)
        for steps in itertools.product(range(room + 1), repeat=3):
            if sum(steps) <= room:
                lab = model.lab((lengths + steps) * 100 / mass) + c.unexplained_lab
                value = float(delta_e(lab, np.array(aim.lab)))
                if value <= c.within:
                    best = min(best, (float(sum(steps)), grams, value))
    assert c.proved
    assert c.smallest is not None
    a = c.smallest
    assert (a.total, a.clear_g, a.delta_e) == pytest.approx(best, abs=1e-6)


def a_dark_batch() -> tuple[sm.Recipe, sm.Target, sm.Target]:
    pour = sm.Pour(batch_g=500)
    recipe = sm.Recipe({"gorse": 4.0, "rosehip": 5.0, "jetty": 1.0}, pour)
    real = sm.predict(recipe.doses, palette=strong({"rosehip": 1.25}), pour=pour)
    return recipe, sm.Target(real.lab), sm.Target(sm.predict(recipe.doses, pour=pour).lab)


def test_limits_are_kept() -> None:
    recipe, real, wanted = a_dark_batch()
    free = sm.correct(recipe, real, wanted, pot_g=800)
    assert free.status == "can be saved"
    assert free.advice.clear_g > 0
    assert free.advice.white_g == 0
    assert free.advice.recipe.pour.batch_g <= 800
    small = sm.correct(recipe, real, wanted, pot_g=500, within=0.5)
    assert small.advice.recipe.pour.batch_g == 500
    tight = sm.correct(recipe, real, wanted, max_load=2.0, pot_g=500)
    assert tight.status == "can't be saved"
    assert tight.advice.nothing  # no room for a single centimetre, and none for base
    assert "can't be saved" in str(tight)
    assert tight.proved
    assert tight.bound <= tight.closest.delta_e
    avoided = sm.correct(recipe, real, wanted, must_avoid="kelp", within=0.2)
    assert "kelp" not in avoided.advice.doses
    milky = sm.correct(recipe, real, wanted, bases=["white"])
    assert milky.advice.clear_g == 0
    coarse = sm.correct(recipe, real, wanted, base_step_g=75, pot_g=800)
    assert coarse.advice.clear_g % 75 == 0


def test_nothing_to_do() -> None:
    recipe, _, wanted = a_dark_batch()
    c = sm.correct(recipe, wanted, wanted)
    assert c.status == "near enough"
    assert c.advice.nothing
    assert str(c.advice) == "nothing"
    assert c.advice.recipe == recipe
    assert c.believed_delta_e < 0.1


def test_what_was_learned_is_kept_for_the_second_round() -> None:
    recipe, real, wanted = a_dark_batch()
    rng = np.random.default_rng(4)
    pot = Pot.poured(recipe, sm.demo_palette(), rng)
    first = sm.correct(recipe, real, wanted, pot_g=700)
    pot.add(first.advice.doses, first.advice.clear_g, first.advice.white_g, rng)
    second = sm.correct(first, first.advice.lab, wanted)
    assert second.recipe == first.advice.recipe
    assert second.status == "near enough"
    assert second.surprise > 0.2
    assert second._additions.pot_g == 700
    later = {s.name: s.sd for s in second.strengths}
    assert all(later[s.name] <= s.sd + 1e-12 for s in first.strengths)
    # Something else was added instead of the advice.
    other = first.added({"dusk": 1.0}, clear_g=40)
    assert other.made is not None
    third = sm.correct(other, first.advice.lab, wanted)
    assert third.recipe.doses["dusk"] == 1.0
    assert third.recipe.pour.batch_g == 540
    with pytest.raises(sm.PourError, match="clear_g"):
        first.added({}, clear_g=-1.0)
    with pytest.raises(sm.UnknownNameError):
        first.added({"ink": 1.0})


def test_ways_to_say_a_colour() -> None:
    recipe, real, wanted = a_dark_batch()
    one = sm.correct(recipe, real, wanted)
    assert sm.correct(recipe, list(real.lab), wanted).advice == one.advice
    assert sm.correct(recipe, np.array(real.lab), wanted).advice == one.advice  # type: ignore[arg-type]
    assert sm.correct(recipe, real.hex, wanted.hex).measured_delta_e == pytest.approx(
        one.measured_delta_e, abs=0.7
    )
    view = sm.View(illuminant="A", backing="black")
    dark = sm.correct(
        recipe, sm.predict(recipe.doses, pour=recipe.pour, view=view).lab, wanted, view=view
    )
    assert dark.surprise > 0.9


def test_a_vaguer_measurement_teaches_less() -> None:
    recipe, real, wanted = a_dark_batch()

    @dataclasses.dataclass(frozen=True)
    class Photo(sm.Target):
        covariance: tuple[tuple[float, float, float], ...] | None = None

    sharp, vague = (
        Photo(real.lab, covariance=tuple(tuple(row) for row in np.eye(3) * sd**2))
        for sd in (0.1, 5.0)
    )
    a, b = (sm.correct(recipe, photo, wanted) for photo in (sharp, vague))
    assert a.strengths[0].sd < b.strengths[0].sd
    assert abs(a.believed_delta_e - a.measured_delta_e) < 0.2
    assert b.believed_delta_e < 0.8 * a.believed_delta_e


def test_a_target_that_is_known_badly_counts_in_the_range() -> None:
    recipe, real, wanted = a_dark_batch()
    aim = sm.Target.from_hex(wanted) if isinstance(wanted, str) else wanted
    vague = sm.Target(aim.lab, covariance=((16.0, 0, 0), (0, 9.0, 0), (0, 0, 9.0)))
    plain, wide = (sm.correct(recipe, real, target) for target in (sm.Target(aim.lab), vague))
    assert wide.advice.doses == plain.advice.doses
    # By draws of other numbers: what is left of the batch's doubt is small beside the target's.
    rng = np.random.default_rng(3)
    aims = np.array(aim.lab) + rng.normal(size=(4000, 3)) * (4.0, 3.0, 3.0)
    alone = float(np.quantile(delta_e(np.array(wide.advice.lab), aims), 0.9))
    assert 0.95 * alone < wide.advice.p90 < alone + plain.advice.p90
    assert wide.advice.p90 > 2.0 * plain.advice.p90


def test_what_a_palette_says_of_its_strengths_is_what_the_spread_says() -> None:
    recipe, real, wanted = a_dark_batch()
    demo = sm.demo_palette()
    told = sm.correct(recipe, real, wanted, palette=demo.known_to(0.3))
    given = sm.correct(recipe, real, wanted, palette=demo, strength_spread=0.3)
    assert told.believed_lab == pytest.approx(given.believed_lab, abs=1e-6)
    assert told.advice.doses == given.advice.doses
    assert told.advice.p90 == pytest.approx(given.advice.p90, rel=0.05)
    assert [(s.name, s.factor, s.sd) for s in told.strengths] == [
        (s.name, pytest.approx(s.factor, rel=1e-5), pytest.approx(s.sd, rel=1e-5))
        for s in given.strengths
    ]
    # What is learned is kept, and no more than that.
    assert given.palette.uncertainty is None
    seen = sm.predict(recipe.doses, palette=told.palette, pour=recipe.pour)
    same = sm.predict(recipe.doses, palette=given.palette, pour=recipe.pour)
    assert seen.lab == pytest.approx(same.lab, abs=1e-6)
    before, after = (sm.spread(recipe, palette=p).p90 for p in (demo.known_to(0.3), told.palette))
    assert after < 0.7 * before


def test_modes_of_every_kind_move_a_batch_as_they_move_a_recipe() -> None:
    rng = np.random.default_rng(1)
    demo = sm.demo_palette()
    n = len(demo.names)

    def rows(count: int) -> tuple[tuple[float, ...], ...]:
        return tuple(map(tuple, (0.1 * rng.normal(size=(count, 36))).tolist()))

    modes = tuple(
        Mode(
            absorption=rows(n + 2),
            scattering=rows(n + 2),
            bends=tuple((0.05 * rng.normal(size=n)).tolist()),
            crowding=0.1,
        )
        for _ in range(3)
    )
    pastes = [p.model_copy(update={"bend": 0.2 + 0.1 * i}) for i, p in enumerate(demo.pigments)]
    palette = sm.Palette(
        pigments=tuple(pastes),
        clear=demo.clear,
        white=demo.white.model_copy(update={"crowding": 0.3}),
        uncertainty=PaletteUncertainty(modes=modes, thickness=0.05, gain=0.02),
    )
    doses = dict.fromkeys(demo.names, 2.0)
    recipe = sm.Recipe(doses, sm.Pour(batch_g=500, white=0.2))
    belief = begun(recipe, palette, sm.View(), Priors(0.1, 0.1, 0.2, 1.0, 0.5), lambda _: None)
    away = belief.mean + rng.normal(size=belief.mean.size) * np.sqrt(np.diag(belief.covariance))
    lab, slopes = belief.lab_and_slope(away)
    assert lab == pytest.approx(belief.lab(away[None])[0], abs=1e-9)
    for at, step in enumerate(1e-5 * np.eye(away.size)):
        ends = belief.lab(np.array([away + step, away - step]))
        assert slopes[:, at] == pytest.approx((ends[0] - ends[1]) / 2e-5, abs=1e-4)
    # The other way from causes to colours, written for whole recipes.
    known = Uncertainty(palette, recipe.pour, sm.View(), dose_slip=0.2, scale_g=1.0)
    columns = known.linear(np.full((1, n), 2.0)).columns[0]
    of = {kind: columns[[c == kind for c in known.causes]] for kind in ("pastes", "bench")}
    slopes = belief.lab_and_slope(belief.mean)[1]
    assert slopes[:, belief.modes] == pytest.approx(of["pastes"].T, abs=1e-3)
    assert belief.bench == pytest.approx(of["bench"].T @ of["bench"], rel=0.01, abs=1e-3)


def test_frozen_plain_and_drawn() -> None:
    recipe, real, wanted = a_dark_batch()
    c = sm.correct(recipe, real, wanted)
    again = pickle.loads(pickle.dumps(c))
    assert again.advice == c.advice
    assert hash(c.advice) == hash(again.advice)
    for text in (str(c), c._repr_html_()):
        assert "nine times in ten" in text
        assert "rosehip" in text
        assert "Melt" in text
    assert c.advice.p90 >= c.advice.delta_e
    with pytest.raises(dataclasses.FrozenInstanceError):
        c.within = 2.0  # type: ignore[misc]
    with pytest.raises(TypeError):
        c.advice.doses["gorse"] = 9.0  # type: ignore[index]


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"recipe": 3}, "recipe"),
        ({"measured": 3}, "measured"),
        ({"measured": (1, 2)}, "lab"),
        ({"measured": (float("nan"), 0, 0)}, "lab"),
        ({"measured": "orange"}, "hex"),
        ({"target": None}, "target"),
        ({"within": 0}, "within"),
        ({"within": "1"}, "within"),
        ({"pot_g": 100}, "pot_g"),
        ({"pot_g": float("inf")}, "pot_g"),
        ({"max_load": -1}, "max_load"),
        ({"bases": ["grey"]}, "bases"),
        ({"bases": 3}, "bases"),
        ({"base_step_g": 0}, "base_step_g"),
        ({"must_avoid": ["ink"]}, "pigment"),
        ({"must_avoid": 3}, "must_avoid"),
        ({"strength_spread": -0.1}, "strength_spread"),
        ({"measured_spread": 0}, "measured_spread"),
        ({"model_spread": float("nan")}, "model_spread"),
        ({"scale_g": 400}, "scale_g"),
        ({"palette": "mine"}, "palette"),
        ({"recipe": sm.Recipe({"ink": 1.0}, sm.Pour(batch_g=100))}, "pigment"),
    ],
)
def test_bad_questions(asked: dict[str, object], field: str) -> None:
    recipe, real, wanted = a_dark_batch()
    arguments = {"recipe": recipe, "measured": real, "target": wanted, **asked}
    with pytest.raises(sm.ShadematchError) as found:
        sm.correct(**arguments)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_another_palette_can_not_come_in_midway() -> None:
    recipe, real, wanted = a_dark_batch()
    first = sm.correct(recipe, real, wanted)
    with pytest.raises(sm.PourError, match="palette"):
        sm.correct(first, real, wanted, palette=strong({"kelp": 2.0}))


def test_in_doubt_nothing_is_taken_to_be_added() -> None:
    pour = sm.Pour(batch_g=500, white=0.2)
    doses = {"gorse": 3, "rosehip": 2}
    odd = sm.correct(doses, (64, 19, 40), "#d2a679", pour=pour)
    assert odd.doubtful and not odd.advice.nothing
    again = sm.correct(odd, (66, 17, 37), "#d2a679")
    assert odd.taken.nothing and again.recipe.pour.batch_g == 500
    assert again.recipe.doses == doses
    added = odd.added({"kelp": 1}).taken
    assert added.doses == {"kelp": 1}
