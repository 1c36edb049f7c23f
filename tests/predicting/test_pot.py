"""The look in the pot and of the drop."""

from __future__ import annotations

import dataclasses

import iadpython
import numpy as np
import pytest
from scipy.integrate import quad

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.predicting.pot import HOT_LIMIT, POTS

DOSES = {"gorse": 3.0, "rosehip": 1.0, "jetty": 0.5}


def coefficients(palette: sm.Palette, recipe: sm.Recipe) -> tuple[np.ndarray, np.ndarray]:
    """Absorption and reduced scattering [1/cm] of a melt, worked out anew."""
    w = recipe.pour.white
    mu_a = (1 - w) * np.array(palette.clear.absorption) + w * np.array(palette.white.absorption)
    mu_s = (1 - w) * np.array(palette.clear.scattering) + w * np.array(palette.white.scattering)
    for name, dose in recipe.doses.items():
        mu_a = mu_a + dose * 100 / recipe.pour.batch_g * np.array(palette[name].absorption)
    return mu_a, mu_s


def added(mu_a: float, mu_s: float, thickness: float, backing: float) -> float:
    """Radiance factor by adding and doubling: a bare slab, a matt backing, a face on top."""
    a, s = mu_a * thickness, mu_s / (1 - 0.6) * thickness
    sample = iadpython.Sample(a=s / (a + s), b=a + s, g=0.6, n=1.5, quad_pts=24)
    bare_r, bare_t = iadpython.simple_layer_matrices(sample)
    matt, nothing = np.full(bare_r.shape, backing), np.zeros(bare_r.shape)
    # The slab from above with the backing below, then the face of soap against air.
    down, up, _, _ = iadpython.add_layers(
        sample, bare_r, bare_r, bare_t, bare_t, matt, matt, nothing, nothing
    )
    face = iadpython.boundary_layer(sample, top=True)
    whole = iadpython.add_slide_above(sample, *face, down, up, nothing, nothing)[0]
    beam, _, _, _ = sample.UX1_and_UXU(whole, whole)
    return float(beam) - ((1.5 - 1) / (1.5 + 1)) ** 2


@pytest.mark.parametrize("white", [0.0, 0.02, 0.3, 1.0])
def test_as_adding_doubling(white: float) -> None:
    # iadpython (S. A. Prahl): the slab with its face and a matt backing, by adding layers.
    palette = sm.demo_palette()
    looks = sm.in_the_pot(DOSES, pour=sm.Pour(batch_g=300, white=white), depth_cm=5.5)
    mu_a, mu_s = coefficients(palette, looks.recipe)
    for seen, thickness, backing in ((looks.pot, 5.5, POTS["steel"]), (looks.drop, 0.3, 0.9)):
        for i in range(0, WAVELENGTHS_NM.size, 5):
            expected = added(mu_a[i], mu_s[i], thickness, backing)
            assert seen.reflectance[i] == pytest.approx(expected, abs=1e-4)


def test_as_integrals_over_angles_where_nothing_scatters() -> None:
    # Light goes down straight, is spread by the matt bottom, and is partly held back by the face:
    # Fresnel's equations, integrated over the cosines by scipy.
    palette = sm.demo_palette()
    clear = sm.Base(absorption=palette.clear.absorption, scattering=(0.0,) * 36)
    palette = palette.model_copy(update={"clear": clear})
    looks = sm.in_the_pot({"rosehip": 1}, palette=palette, depth_cm=2.0, pot=0.5)
    mu_a, _ = coefficients(palette, looks.recipe)
    r0, n, rg = 0.04, 1.5, 0.5

    def inner(mu: float) -> float:
        out = 1 - n * n * (1 - mu * mu)
        if out <= 0:
            return 1.0
        nu = np.sqrt(out)
        s, p = (n * mu - nu) / (n * mu + nu), (n * nu - mu) / (n * nu + mu)
        return float(0.5 * (s * s + p * p))

    edge = np.sqrt(1 - 1 / n**2)
    for i in (3, 12, 20, 30):
        u = mu_a[i] * 2.0
        out = quad(lambda m: 2 * m * (1 - inner(m)) * np.exp(-u / m), edge, 1)[0]  # noqa: B023
        back = sum(
            quad(lambda m: 2 * m * inner(m) * np.exp(-2 * u / m), *ends)[0]  # noqa: B023
            for ends in ((1e-9, edge), (edge, 1))
        )
        expected = (1 - r0) * np.exp(-u) * rg * out / (1 - rg * back)
        assert looks.pot.reflectance[i] == pytest.approx(expected, abs=2e-4)


def test_deep_melt_looks_far_darker_than_the_bar_in_clear_base_and_no_darker_in_white() -> None:
    # Common practice, no source: makers are misled by the dark pot when the base is clear.
    clear = sm.in_the_pot(DOSES, pour=sm.Pour(batch_g=300))
    assert clear.pot.lab[0] < clear.bar.lab[0] - 30
    assert "far darker" in clear.sentence
    white = sm.in_the_pot(DOSES, pour=sm.Pour(batch_g=300, white=1.0))
    assert abs(white.pot.lab[0] - white.bar.lab[0]) < 1
    assert "about as light" in white.sentence
    pale = sm.in_the_pot(
        {"gorse": 1},
        pour=sm.Pour(batch_g=5000, thickness_cm=8),
        depth_cm=1.0,
        pot=1.0,
        view=sm.View(backing="black"),
    )
    assert pale.pot.lab[0] > pale.bar.lab[0] + 15
    assert "far lighter" in pale.sentence


def test_depth_bottom_and_drop_darken_or_lighten_as_they_must() -> None:
    by_depth = [sm.in_the_pot(DOSES, depth_cm=d).pot.lab[0] for d in (0.5, 1, 2, 4, 8)]
    assert np.all(np.diff(by_depth) < 0)
    by_pot = [sm.in_the_pot({"gorse": 1}, pot=p).pot.lab[0] for p in (0, "black", "steel", "white")]
    assert np.all(np.diff(by_pot) > 0)
    by_drop = [sm.in_the_pot(DOSES, drop_mm=d).drop.lab[0] for d in (1, 2, 3, 5)]
    assert np.all(np.diff(by_drop) < 0)


def test_the_views_light_and_no_more_of_it() -> None:
    bar = sm.View(illuminant="A", observer="10", backing="black", through=True)
    pour = sm.Pour(batch_g=100)
    looks = sm.in_the_pot(DOSES, pour=pour, view=bar)
    assert looks.bar == sm.predict(DOSES, pour=pour, view=bar)
    for seen in (looks.pot, looks.drop):
        assert (seen.view.illuminant, seen.view.observer) == ("A", "10")
        assert (seen.view.contact, seen.view.through) == ("wet", False)
    recipe = sm.Recipe(DOSES, sm.Pour(batch_g=100))
    assert sm.in_the_pot(recipe, view=bar) == looks
    assert sm.in_the_pot(recipe, pour=sm.Pour(batch_g=100), view=bar) == looks


def test_differences_are_ciede2000() -> None:
    # By scikit-image (G. Sharma, W. Wu, E. N. Dalal 2005).
    from skimage.color import deltaE_ciede2000

    looks = sm.in_the_pot(DOSES)
    for seen, got in ((looks.pot, looks.pot_delta_e), (looks.drop, looks.drop_delta_e)):
        expected = deltaE_ciede2000(np.array(seen.lab), np.array(looks.bar.lab))
        assert got == pytest.approx(float(expected), abs=1e-6)


def test_printed() -> None:
    looks = sm.in_the_pot(DOSES, depth_cm=6)
    for words in (looks.pot.hex, looks.drop.hex, looks.bar.hex, looks.sentence, HOT_LIMIT):
        assert words in str(looks)
        assert words in looks._repr_html_()
    palette = sm.demo_palette().only("gorse")
    named = sm.Pigment(name="<b>&", absorption=palette.pigments[0].absorption)
    palette = palette.model_copy(update={"pigments": (named,)})
    drawn = sm.in_the_pot({"<b>&": 1}, palette=palette)._repr_html_()
    assert "&lt;b&gt;&amp;" in drawn
    assert "<b>" not in drawn
    assert dataclasses.replace(looks) == looks


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"depth_cm": 0}, "depth_cm"),
        ({"depth_cm": float("nan")}, "depth_cm"),
        ({"depth_cm": "8"}, "depth_cm"),
        ({"depth_cm": 101}, "depth_cm"),
        ({"drop_mm": True}, "drop_mm"),
        ({"drop_mm": -3}, "drop_mm"),
        ({"pot": "copper"}, "pot"),
        ({"pot": 1.1}, "pot"),
        ({"pot": None}, "pot"),
        ({"pour": sm.Pour(batch_g=50)}, "pour"),
        ({"pour": 3}, "pour"),
        ({"view": "D65"}, "view"),
    ],
)
def test_what_cant_be(more: dict[str, object], field: str) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.in_the_pot(sm.Recipe(DOSES, sm.Pour(batch_g=100)), **more)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_doses_that_cant_be() -> None:
    with pytest.raises(sm.UnknownNameError):
        sm.in_the_pot({"ink": 1})
    for doses in ([1, 2], "gorse", None, {"gorse": -1}):
        with pytest.raises(sm.PourError):
            sm.in_the_pot(doses)  # type: ignore[arg-type]
