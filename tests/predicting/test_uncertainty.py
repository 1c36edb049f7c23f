"""What is not known of recipes: slopes against differences, ranges against plain sampling."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import nine_in_ten
from shadematch.colour.floors import minorant
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.predicting.sampled import Sampled
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.studio.uncertainty import Backing, Mode, PaletteUncertainty
from shadematch.support.arrays import FloatArray
from tests.invented.problems import with_chalk

WHITE = sm.View()
ROOT = np.sqrt(3.0)


def of(palette: sm.Palette, pour: sm.Pour, **more: object) -> Uncertainty:
    given = {"dose_slip": 0.2, "scale_g": 1.0, **more}
    return Uncertainty(palette, pour, WHITE, **given)  # type: ignore[arg-type]


def amounts(palette: sm.Palette, **doses: float) -> FloatArray:
    return np.array([doses.get(name, 0.0) for name in palette.names])


def lab(doses: dict[str, float], palette: sm.Palette, pour: sm.Pour) -> FloatArray:
    return np.array(sm.predict(doses, palette=palette, pour=pour).lab)


def one(known: Uncertainty, doses: FloatArray, name: str) -> FloatArray:
    """What causes of a name do to a recipe, shape (k, 3)."""
    found = known.linear(doses[None])
    return found.columns[0, [i for i, n in enumerate(known.names) if n == name]]


@pytest.mark.parametrize("white", [0.0, 0.15, 1.0])
def test_a_reading_of_the_ruler_against_differences(white: float) -> None:
    palette, pour = sm.demo_palette(), sm.Pour(batch_g=400, white=white)
    doses = {"gorse": 4.0, "dusk": 2.0}
    moved = one(of(palette, pour), amounts(palette, **doses), "dusk")
    h = 1e-3
    up, down = (lab({**doses, "dusk": 2.0 + s * h}, palette, pour) for s in (1, -1))
    assert moved == pytest.approx((up - down)[None] / (2 * h) * 0.2 / ROOT, rel=1e-3, abs=1e-6)
    assert not one(of(palette, pour), amounts(palette, **doses), "rosehip").any()


@pytest.mark.parametrize("kind", ["clear", "white"])
def test_weighing_a_base_against_differences(kind: str) -> None:
    palette, pour = sm.demo_palette(), sm.Pour(batch_g=300, white=0.1)
    doses, h = {"dusk": 3.0}, 0.02
    moved = one(of(palette, pour), amounts(palette, **doses), f"weighing {kind} base")

    def other(off: float) -> FloatArray:
        grams = [270.0 + off * (kind == "clear"), 30.0 + off * (kind == "white")]
        batch = sum(grams)
        return lab(doses, palette, sm.Pour(batch_g=batch, white=grams[1] / batch))

    slope = (other(h) - other(-h)) / (2 * h)
    assert moved == pytest.approx(slope[None] / ROOT, rel=5e-3, abs=1e-4)


def scaled(palette: sm.Palette, name: str, factor: float) -> sm.Palette:
    pigments = [
        p.model_copy(update={"absorption": tuple(factor * v for v in p.absorption)})
        if p.name == name
        else p
        for p in palette.pigments
    ]
    return sm.Palette(pigments=tuple(pigments), clear=palette.clear, white=palette.white)


def test_strengths_against_palettes_of_other_strengths() -> None:
    plain, pour = sm.demo_palette(), sm.Pour(batch_g=500, white=0.05)
    palette = plain.known_to({"dusk": 0.1, "gorse": 0.05})
    assert palette.uncertainty is not None and len(palette.uncertainty.modes) == 2
    doses = {"gorse": 6.0, "dusk": 2.0}
    moved = one(of(palette, pour), amounts(palette, **doses), "pastes and bases")
    for row, (name, sd) in zip(moved, {"gorse": 0.05, "dusk": 0.1}.items(), strict=True):
        ends = [lab(doses, scaled(plain, name, float(np.exp(s * 1e-3))), pour) for s in (1, -1)]
        assert row == pytest.approx((ends[0] - ends[1]) / 2e-3 * sd, rel=2e-3, abs=1e-5)


def whole(palette: sm.Palette, *, bends: bool = False) -> sm.Palette:
    """Everything uncertain that can be: absorption and scattering of all, backing, bench."""
    rng = np.random.default_rng(8)
    size, waves = len(palette.pigments) + 2, WAVELENGTHS_NM / 550.0

    def curve(sd: float) -> tuple[float, ...]:
        return tuple((sd * (rng.normal() + rng.normal() * np.log(waves))).tolist())

    modes = tuple(
        Mode(
            absorption=tuple(curve(0.04) for _ in range(size)),
            scattering=tuple(curve(0.03) for _ in range(size)),
            backings=(curve(0.05),),
            bends=tuple(rng.normal(0, 0.01, size - 2).tolist()) if bends else (),
            crowding=float(rng.normal(0, 0.05)) if bends else 0.0,
        )
        for _ in range(4)
    )
    known = PaletteUncertainty(
        modes=modes,
        backings=(Backing(reflectance=(0.88,) * waves.size, contact="dry"),),
        thickness=0.02,
        gain=0.01,
        model_lab=0.3,
    )
    return sm.Palette(**{**dict(palette), "uncertainty": known})


def weaker(palette: sm.Palette) -> sm.Palette:
    """The same, each paste weaker where there is much, and white crowding."""
    pigments = [p.model_copy(update={"bend": 0.2}) for p in palette.pigments]
    white = palette.white.model_copy(update={"crowding": 0.4})
    return sm.Palette(pigments=tuple(pigments), clear=palette.clear, white=white)


@pytest.mark.parametrize("white", [0.0, 0.2, 1.0])
@pytest.mark.parametrize("chalk", [False, True])
@pytest.mark.parametrize("bends", [False, True])
def test_linear_covariance_against_the_full_model(white: float, chalk: bool, bends: bool) -> None:
    plain = with_chalk() if chalk else sm.demo_palette()
    palette = whole(weaker(plain) if bends else plain, bends=bends)
    pour = sm.Pour(batch_g=500, white=white, thickness_cm=1.5)
    known = of(palette, pour)
    doses = amounts(palette, gorse=6.0, dusk=2.0, chalk=1.0)
    found, judge = known.linear(doses[None]), Sampled(known)
    drawn = judge.lab(doses)[0]
    own = np.array(
        sm.predict(dict(zip(palette.names, doses, strict=True)), palette=palette, pour=pour).lab
    )
    assert found.lab[0, 0] == pytest.approx(own, abs=1e-4)
    linear = known.colours(doses[None]).covariance[0]
    scale = np.trace(linear)
    assert np.cov(drawn.T) == pytest.approx(linear, rel=0.08, abs=0.02 * scale)
    # Cause by cause: one standard deviation up and down, by the full model.
    ways = judge.lab(doses, judge.one_by_one)[0].reshape(2, -1, 3)
    slopes = 0.5 * (ways[0] - ways[1])
    assert slopes == pytest.approx(found.columns[0], rel=0.03, abs=0.01 * np.sqrt(scale))


def test_a_bend_that_is_not_known_against_differences() -> None:
    plain, pour = weaker(sm.demo_palette()), sm.Pour(batch_g=200, white=0.3)
    rows = ((),) * 7
    mode = Mode(absorption=rows, scattering=rows, bends=(0.01, 0, 0, 0, 0), crowding=0.02)
    known = PaletteUncertainty(modes=(mode,))
    palette = sm.Palette(**{**dict(plain), "uncertainty": known})
    doses = {"gorse": 6.0, "dusk": 1.0}
    moved = one(of(palette, pour), amounts(palette, **doses), "pastes and bases")

    def other(z: float) -> FloatArray:
        first = plain.pigments[0].model_copy(update={"bend": 0.2 + 0.01 * z})
        white = plain.white.model_copy(update={"crowding": 0.4 + 0.02 * z})
        pigments = (first, *plain.pigments[1:])
        return lab(doses, sm.Palette(pigments=pigments, clear=plain.clear, white=white), pour)

    assert moved == pytest.approx(((other(0.1) - other(-0.1)) / 0.2)[None], rel=2e-3, abs=1e-4)
    fewer = palette.only("gorse", "dusk").uncertainty
    assert fewer is not None and fewer.bends.tolist() == [[0.01, 0.0]]
    with pytest.raises(sm.PaletteError) as found:
        PaletteUncertainty(modes=(mode.model_copy(update={"bends": (0.1,)}),))
    assert found.value.field == "modes.0.bends"


def test_a_model_error_alone() -> None:
    known = PaletteUncertainty(model_lab=1.0)
    palette = sm.Palette(**{**dict(sm.demo_palette()), "uncertainty": known})
    s = sm.spread({"gorse": 7}, palette=palette, pour=sm.Pour(batch_g=500), dose_slip=0, scale_g=0)
    assert s.causes["model"] == pytest.approx(1.0) and s.mean > 0.3


def test_the_model_of_strengths_against_a_generator_of_other_numbers() -> None:
    # Written anew from the public calls: even slips, normal strengths.
    plain, pour, rng = sm.demo_palette(), sm.Pour(batch_g=500), np.random.default_rng(5)
    palette, target = plain.known_to(0.1), sm.Target.from_hex("#d9822b")
    doses = {"gorse": 7.0, "rosehip": 2.0}
    values = []
    for _ in range(3000):
        batch = 500 + rng.uniform(-1, 1)
        read = {n: d + rng.uniform(-0.2, 0.2) for n, d in doses.items()}
        strong = {n: d * np.exp(0.1 * rng.normal()) for n, d in read.items()}
        made = sm.predict(strong, palette=plain, pour=sm.Pour(batch_g=batch))
        values.append(float(delta_e(np.array(made.lab), np.array(target.lab))))
    s = sm.spread(doses, palette=palette, pour=pour, target=target)
    theirs = [np.mean(values), *np.quantile(values, (0.5, 0.9))]
    assert [s.mean, s.median, s.p90] == pytest.approx(theirs, rel=0.05)
    assert s.largest == "pastes"
    colours = of(palette, pour).colours(amounts(palette, **doses)[None])
    expected = colours.expected(np.array([target.lab]))
    assert expected[0] == pytest.approx(np.mean(values), rel=0.05)


def test_a_target_that_is_not_known_counts() -> None:
    # With everything else exact the colour is the target's own, give or take its covariance.
    pour = sm.Pour(batch_g=500)
    own = sm.predict({"gorse": 7}, pour=pour)
    matrix = np.array([[9.0, 2.0, -1.0], [2.0, 4.0, 0.5], [-1.0, 0.5, 6.0]])
    target = sm.Target.from_lab(own.lab, covariance=matrix.tolist())
    s = sm.spread({"gorse": 7}, pour=pour, target=target, dose_slip=0, scale_g=0)
    drawn = np.random.default_rng(2).multivariate_normal(own.lab, matrix, 100_000)
    far = delta_e(np.array(own.lab), drawn)
    assert s.p90 == pytest.approx(np.quantile(far, 0.9), rel=0.02)
    assert s.causes["target"] == pytest.approx(1.0)
    assert s.largest == "target" and s.worst == "the target"
    assert s.nominal_delta_e == pytest.approx(0.0, abs=1e-9)
    plain = sm.spread({"gorse": 7}, pour=pour, target=sm.Target(own.lab), dose_slip=2)
    both = sm.spread({"gorse": 7}, pour=pour, target=target, dose_slip=2)
    assert plain.p90 < both.p90 and both.p90 > s.p90
    assert both.causes["dosing"] > 0 and sum(both.causes.values()) == pytest.approx(1.0)


def test_small_doses_are_cut_at_nothing() -> None:
    # A dose of 1 mm read to 2 mm is nothing a quarter of the time (and never less).
    s = sm.spread({"dusk": 0.1}, pour=sm.Pour(batch_g=100, dose_step=0.1), scale_g=0)
    rng = np.random.default_rng(3)
    read = np.maximum(0.1 + rng.uniform(-0.2, 0.2, 20_000), 0.0)
    few = np.linspace(0.0, 0.3, 61)
    far = [
        float(
            delta_e(
                np.array(sm.predict({"dusk": d}, pour=sm.Pour(batch_g=100)).lab),
                np.array(s.nominal.lab),
            )
        )
        for d in few
    ]
    values = np.interp(read, few, far)
    assert (read == 0.0).mean() == pytest.approx(0.25, abs=0.01)
    assert [s.median, s.p90] == pytest.approx(np.quantile(values, (0.5, 0.9)), rel=0.02)


def test_let_downs_and_lights_against_the_full_model() -> None:
    palette, pour = sm.demo_palette(), sm.Pour(batch_g=400)
    weak = sm.LetDown.made("rosehip", paste=2, base_g=50, step_g=1)
    known = of(palette, pour, let_downs=(weak,), lights=("D65", "A"))
    held = np.append(amounts(palette, gorse=8.0), 40.0)
    found, judge = known.linear(held[None]), Sampled(known)
    drawn = np.concatenate(list(judge.lab(held)), axis=1)
    linear = known.colours(held[None]).covariance[0]
    assert np.cov(drawn.T) == pytest.approx(linear, rel=0.08, abs=0.02 * np.trace(linear))
    aims = found.lab[0] + 1.0
    values, _ = judge.differences(held, aims)
    assert known.colours(held[None]).expected(aims)[0] == pytest.approx(values.mean(), rel=0.02)
    assert known.causes[: len(palette.names)] == ("dosing",) * 5
    assert "making rosehip let-down" in known.names


def test_expectations_have_the_floor_that_proofs_stand_on() -> None:
    # With points in pairs, the expectation lies above the norm of the colour's distance.
    palette, pour, rng = (
        sm.demo_palette().known_to(0.1),
        sm.Pour(batch_g=300),
        np.random.default_rng(1),
    )
    known = of(palette, pour)
    for _ in range(20):
        doses = rng.integers(0, 5, (40, 5)).astype(float)
        found = known.linear(doses)
        aim = found.lab[rng.integers(40), 0] + rng.normal(0, 2, 3)
        expected = known.colours(doses).expected(aim[None])
        for rho in (1.0, 3.0, 8.0):
            far = np.linalg.norm((found.lab[:, 0] - aim) @ minorant(aim, rho).T, axis=1)
            assert np.all(expected >= np.minimum(far, rho / 2) - 1e-9)
            floor = known.colours(doses).floor(aim[None], [minorant(aim, rho)], rho)
            assert np.all(expected >= floor - 1e-9)
            if rho > 6:
                assert np.all(floor >= np.minimum(far, rho / 2) - 1e-9)


def test_nine_in_ten_holds_for_what_is_poured() -> None:
    """Whole bars drawn by the model of strengths and slips, over many recipes."""
    rng, plain = np.random.default_rng(11), sm.demo_palette()
    palette, inside = plain.known_to(0.1), []
    for _ in range(30):
        doses = {n: float(rng.integers(0, 4)) for n in plain.names}
        pour = sm.Pour(batch_g=float(rng.choice([100, 300, 1000])), max_load=20)
        aim = sm.Target(tuple((lab(doses, plain, pour) + rng.normal(0, 1, 3)).tolist()))
        p90 = sm.spread(doses, palette=palette, pour=pour, target=aim).p90
        for _ in range(20):
            strong = {
                n: max(d + rng.uniform(-0.2, 0.2), 0.0) * np.exp(0.1 * rng.normal())
                for n, d in doses.items()
                if d
            }
            batch = sm.Pour(batch_g=pour.batch_g + rng.uniform(-1, 1), max_load=20)
            inside.append(delta_e(lab(strong, plain, batch), np.array(aim.lab)) <= p90)
    assert 0.86 <= np.mean(inside) <= 0.94  # 600 of them: a standard deviation is 1.2 %


def test_quantiles_agree_with_numpy() -> None:
    assert nine_in_ten(np.arange(101.0)) == 90.0
