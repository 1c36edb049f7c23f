"""Pours, views, recipes and targets."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM


def test_dose_and_mass_arithmetic() -> None:
    pour = sm.Pour(batch_g=250, white=0.2, max_load=4.0)
    assert pour.max_total == pytest.approx(10)
    assert pour.max_steps == 10
    assert (pour.clear_g, pour.white_g) == pytest.approx((200, 50))
    assert sm.Pour(batch_g=250, dose_step=0.5).max_steps == 20
    assert sm.Pour(batch_g=70, max_load=4.0).max_steps == 2
    # 0.1 * 3 is not 0.3 in binary; the limit must not lose a step by it.
    assert sm.Pour(batch_g=100, max_load=0.3, dose_step=0.1).max_steps == 3
    recipe = sm.Recipe({"a": 4.0, "b": 6.0}, pour)
    assert recipe.proportions == {"a": 2, "b": 3}
    assert (recipe.total, recipe.load, recipe.tubes) == (10.0, 4.0, 2)
    half = sm.Recipe({"a": 0.5, "b": 1.5}, sm.Pour(batch_g=100, dose_step=0.5))
    assert half.proportions == {"a": 1, "b": 3}
    assert sm.Recipe({"a": 0.7}, pour).proportions is None
    assert sm.Recipe({}, pour).proportions == {}


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *(("batch_g", v) for v in (0, -5, float("nan"), float("inf"), "500", True, None, 1e9)),
        *(("thickness_cm", v) for v in (0, -1, 1000)),
        *(("white", v) for v in (-0.1, 1.1, "clear")),
        *(("max_load", v) for v in (0, -1, float("nan"))),
        *(("dose_step", v) for v in (0, -1)),
    ],
)
def test_bad_pour(field: str, value: object) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.Pour(**{field: value})  # type: ignore[arg-type]
    assert found.value.field == field
    assert repr(value) in str(found.value) or value is None
    assert found.value.remedy


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("observer", "5"),
        ("illuminant", "D64"),
        ("contact", "glue"),
        ("through", "candle"),
        *(("backing", v) for v in ("purple", 1.5, -0.1, float("nan"), [0.5, 0.5], [2.0] * 36)),
    ],
)
def test_bad_view(field: str, value: object) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.View(**{field: value})  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_backing_as_a_number_and_a_spectrum() -> None:
    spectrum = np.linspace(0.1, 0.9, WAVELENGTHS_NM.size)
    assert np.array_equal(sm.View(backing=spectrum.tolist()).backing_reflectance, spectrum)
    assert np.all(sm.View(backing=0.3).backing_reflectance == 0.3)
    assert np.all(sm.View().backing_reflectance == 0.9)


def test_frozen() -> None:
    with pytest.raises(Exception, match="frozen"):
        sm.Pour(batch_g=100).batch_g = 3  # type: ignore[misc]


def test_hex_and_srgb(colour) -> None:  # type: ignore[no-untyped-def]
    target = sm.Target.from_hex("#d9822b")
    theirs = colour.XYZ_to_Lab(
        colour.sRGB_to_XYZ(np.array([0xD9, 0x82, 0x2B]) / 255),
        colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"],
    )
    assert np.abs(np.array(target.lab) - theirs).max() < 0.02  # four-digit matrix and white
    assert sm.Target.from_hex("D9822B ").lab == target.lab
    assert sm.Target.from_hex("#fff").lab == pytest.approx((100, 0, 0), abs=1e-9)
    assert sm.Target.from_srgb((0xD9 / 255, 0x82 / 255, 0x2B / 255)).lab == target.lab
    assert target.hex == "#d9822b"


@pytest.mark.parametrize("code", ["", "#", "#12", "#12345", "#gggggg", "orange", "#1234567", None])
def test_bad_hex(code: str) -> None:
    with pytest.raises(sm.ColourError, match="hex"):
        sm.Target.from_hex(code)


@pytest.mark.parametrize(
    "lab",
    [
        (50, 120, -120),
        (5, 90, 0),
        (99, 60, 0),
        (50, -200, 0),
        (101, 0, 0),
        (-1, 0, 0),
        (50, 0),
        "lab",
        (50, float("nan"), 0),
        None,
    ],
)
def test_lab_outside_any_real_colour(lab: tuple[float, ...]) -> None:
    with pytest.raises(sm.ColourError) as found:
        sm.Target.from_lab(lab)
    assert found.value.field == "lab"
    assert found.value.remedy


def test_every_real_munsell_colour_and_chart_patch_is_taken(colour, reference) -> None:  # type: ignore[no-untyped-def]
    real = colour.notation.MUNSELL_COLOURS["Munsell Colours Real"]
    assert len(real) == 2734
    for _, (x, y, big_y) in real:
        xyz = (x / y * big_y, big_y, (1 - x - y) / y * big_y)
        if big_y > 1.5:  # else it looks like a colour on a scale of 0 to 1
            sm.Target.from_xyz(xyz, illuminant="C")
        else:
            white = sm.View(illuminant="C").observation.white
            sm.Target.from_lab(xyz_to_lab(np.array(xyz), white), illuminant="C")
    # 24-patch chart, reference data after November 2014 as shipped in colour-science, D50.
    for row in reference("chart24_after2014_lab_d50.csv"):
        sm.Target.from_lab([float(row[k]) for k in "Lab"], illuminant="D50")


def test_lab_in_another_light(colour) -> None:  # type: ignore[no-untyped-def]
    target = sm.Target.from_lab((62, 26, 53), illuminant="D50")
    ours = target.lab_in(sm.View())
    d50, d65 = (sm.View(illuminant=i).observation.white / 100 for i in ("D50", "D65"))
    xyz = colour.Lab_to_XYZ([62, 26, 53], colour.XYZ_to_xy(d50))
    adapted = colour.chromatic_adaptation(xyz, d50, d65, method="Von Kries", transform="Bradford")
    assert np.abs(ours - colour.XYZ_to_Lab(adapted, colour.XYZ_to_xy(d65))).max() < 1e-3
    assert target.lab_in(sm.View(illuminant="D50")).tolist() == [62, 26, 53]


def test_measured_reflectance_in_any_light(colour) -> None:  # type: ignore[no-untyped-def]
    # The 24-patch chart's spectra in colour-science, integrated there.
    chart = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    for name in ("orange", "blue", "green", "white 9.5 (.05 D)"):
        sd = chart[name]
        target = sm.Target.from_reflectance(sd.wavelengths.tolist(), sd.values.tolist())
        for light in ("D65", "A", "LED-B3"):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # it tells that it aligns tables
                xyz = colour.sd_to_XYZ(sd, illuminant=colour.SDS_ILLUMINANTS[light]) / 100
            view = sm.View(illuminant=light)
            white = colour.XYZ_to_xy(view.observation.white / 100)
            theirs = colour.XYZ_to_Lab(xyz, white)
            assert delta_e(target.lab_in(view), theirs) < 0.15  # ends at 380 and 730 nm


@pytest.mark.parametrize(
    ("wavelengths", "values", "word"),
    [
        (range(450, 651, 10), [0.5] * 21, "visible range"),
        (range(380, 731, 10), [50.0] * 36, "percent"),
        (range(380, 731, 10), [-0.5] * 36, "between 0 and 1"),
        (range(380, 731, 10), [0.5] * 35, "one value for each"),
        (range(380, 731, 10), [float("nan")] * 36, "finite"),
        ([400, 550, 700], [0.5] * 3, "gap"),
        ([], [], "too few"),
        ("abc", [0.5], "lists of numbers"),
    ],
)
def test_bad_reflectance(wavelengths: list[float], values: list[float], word: str) -> None:
    with pytest.raises(sm.SpectrumError, match=word):
        sm.Target.from_reflectance(wavelengths, values)
