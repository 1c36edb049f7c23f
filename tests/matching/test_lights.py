"""A colour under several lights, against colour-science and the algebra of metamers."""

from __future__ import annotations

import warnings
from types import ModuleType

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.matching.lights import metameric_index
from shadematch.support.arrays import FloatArray
from tests.invented.joint_problems import some_spectrum


def by_colour_science(
    colour: ModuleType, spectrum: FloatArray, illuminant: str
) -> tuple[FloatArray, FloatArray]:
    """XYZ (Y = 100 for white) and Lab by colour-science.

    By its ASTM E308 integration at 1 nm; for lamps with lines by summation at the 5 nm at which
    CIE 15 tabulates them.
    """
    lines = illuminant.startswith("FL")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy()
        if lines:
            cmfs.align(colour.SpectralShape(380, 780, 5))
        light = colour.SDS_ILLUMINANTS[illuminant]

        def integrate(values: FloatArray) -> FloatArray:
            sd = colour.SpectralDistribution(values, WAVELENGTHS_NM)
            method = "Integration" if lines else "ASTM E308"
            return np.asarray(colour.sd_to_XYZ(sd, cmfs, light, method=method), dtype=float)

        xyz, white = integrate(spectrum), integrate(np.ones(WAVELENGTHS_NM.size))
        lab = colour.XYZ_to_Lab(xyz / 100, white[:2] / white.sum())
    return xyz, np.asarray(lab)


def metamers(seed: int) -> tuple[FloatArray, FloatArray]:
    """Two different spectra with the same XYZ under D65: one plus a metameric black.

    J. B. Cohen, W. E. Kappauf, Am. J. Psychol. 95 (1982) 537, from memory: a spectrum without
    tristimulus values makes metamers of whatever it is added to.
    """
    rng = np.random.default_rng(seed)
    weights = observation("D65").weights
    first = 0.25 + 0.5 * some_spectrum(rng)
    # Smooth, so that how spectra are interpolated plays no part.
    centres = np.linspace(390, 720, 8)[:, None]
    bumps = np.exp(-(((WAVELENGTHS_NM - centres) / 45.0) ** 2))
    mixture = rng.normal(size=8)
    response = weights @ bumps.T
    mixture -= np.linalg.pinv(response) @ (response @ mixture)
    black = mixture @ bumps
    return first, first + 0.15 * black / np.abs(black).max()


@pytest.mark.parametrize("illuminant", ["A", "FL11", "LED-B3"])
@pytest.mark.parametrize("seed", range(3))
def test_true_metamers_against_colour_science(
    colour: ModuleType, seed: int, illuminant: str
) -> None:
    first, second = metamers(seed)
    one, _ = by_colour_science(colour, first, "D65")
    other, _ = by_colour_science(colour, second, "D65")
    assert one == pytest.approx(other, abs=0.02)
    _, lab1 = by_colour_science(colour, first, illuminant)
    _, lab2 = by_colour_science(colour, second, illuminant)
    cie2000 = float(colour.difference.delta_E_CIE2000(lab1, lab2))
    cie1976 = float(np.linalg.norm(lab1 - lab2))
    for correction in ("multiplicative", "additive", "none"):
        index, index_lab = metameric_index(
            first,
            second,
            illuminant=illuminant,
            correction=correction,  # type: ignore[arg-type]
        )
        # Summation of fluorescent lines at other steps leaves a few hundredths.
        assert index == pytest.approx(cie2000, abs=0.05)
        assert index_lab == pytest.approx(cie1976, abs=0.12)
        assert index > 0.3


def test_corrections_take_the_residual_out() -> None:
    first, second = metamers(4)
    # A sample that is a tenth darker all over is not a metamer's fault: ratios take it out exactly.
    plain = metameric_index(first, second, correction="none")
    darker = metameric_index(first, 0.9 * second)
    assert darker == pytest.approx(plain, rel=1e-9)
    assert metameric_index(first, 0.9 * second, correction="none")[0] > plain[0] + 1
    # The same spectrum, darker: no metamerism at all.
    assert metameric_index(first, 0.9 * first)[0] < 1e-9
    # A difference that is the same XYZ under both lights is taken out by sums.
    base1, base2 = observation("D65").weights, observation("A").weights
    shift = np.linalg.lstsq(np.vstack([base1, base2]), np.array([1.0, 1, 1] * 2), rcond=None)[0]
    moved = metameric_index(first, second + shift, correction="additive")
    assert moved == pytest.approx(plain, rel=1e-9)
    # By hand, for the formula: X2' = X2(A) X1(D65) / X2(D65).
    white = observation("A").white
    ratio = (base1 @ first) / (base1 @ (second * 0.8))
    lab1, lab2 = xyz_to_lab(base2 @ first, white), xyz_to_lab(base2 @ (second * 0.8) * ratio, white)
    assert metameric_index(first, second * 0.8)[1] == pytest.approx(
        float(np.linalg.norm(lab1 - lab2))
    )


def test_black_has_no_ratio() -> None:
    black = np.zeros(WAVELENGTHS_NM.size)
    values = metameric_index(some_spectrum(np.random.default_rng(0)), black)
    assert np.all(np.isfinite(values))


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"illuminant": "candle"}, "illuminant"),
        ({"reference": "candle"}, "reference"),
        ({"observer": "5"}, "observer"),
        ({"correction": "spectral"}, "correction"),
    ],
)
def test_bad_index(arguments: dict[str, object], field: str) -> None:
    grey = np.full(WAVELENGTHS_NM.size, 0.5)
    with pytest.raises(sm.ColourError) as found:
        metameric_index(grey, grey, **arguments)  # type: ignore[arg-type]
    assert found.value.field == field


# --- a recipe under several lights


def test_each_light_is_predict_and_lab_in() -> None:
    spectrum = some_spectrum(np.random.default_rng(9))
    target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), spectrum.tolist())
    m = sm.match(target, pour=sm.Pour(batch_g=500))
    found = sm.lights(m)
    assert [light.illuminant for light in found.lights] == ["D65", "A", "FL11", "LED-B3"]
    assert found["D65"].delta_e == pytest.approx(m.delta_e, abs=1e-9)
    assert found["D65"].index is None
    for light in found.lights:
        view = sm.View(illuminant=light.illuminant)
        bar = sm.predict(m.recipe.doses, pour=m.recipe.pour, view=view)
        assert light.predicted == pytest.approx(bar.lab, abs=1e-9)
        assert light.wanted == pytest.approx(target.lab_in(view), abs=1e-9)
    assert found["A"].index == pytest.approx(
        metameric_index(spectrum, m.predicted.reflectance)[0], abs=1e-9
    )
    assert found.worst.delta_e == max(light.delta_e for light in found.lights)
    assert found.spectral
    assert "metameric index" in str(found)
    assert "LED-B3" in found._repr_html_()


def test_a_hex_code_has_no_index() -> None:
    found = sm.lights(
        sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=100)), "#d9822b", lights=["A", "FL2"]
    )
    assert all(light.index is None for light in found.lights)
    assert "has no spectrum" in found.note
    with pytest.raises(sm.ColourError, match="is not one of these lights"):
        found["D65"]


def test_a_prediction_brings_its_view() -> None:
    view = sm.View(backing="black", observer="10")
    bar = sm.predict({"gorse": 1}, view=view, pour=sm.Pour(batch_g=100))
    found = sm.lights(bar, "#d9822b")
    assert found.view == view
    assert found["D65"].predicted == pytest.approx(bar.lab, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"target": None}, "target"),
        ({"target": "brown"}, "hex"),
        ({"lights": ["candle"]}, "lights"),
        ({"lights": []}, "lights"),
        ({"lights": ["A", "A"]}, "lights"),
        ({"recipe": {"gorse": 1}}, "recipe"),
        ({"reference": "candle"}, "reference"),
    ],
)
def test_bad_question(arguments: dict[str, object], field: str) -> None:
    asked = {
        "recipe": sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=100)),
        "target": "#d9822b",
        **arguments,
    }
    with pytest.raises(sm.ShadematchError) as found:
        sm.lights(asked.pop("recipe"), asked.pop("target"), **asked)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy
