"""Targets over the whole solid of colours. (Single cases are in test_pour_target.)"""

from __future__ import annotations

import pickle
import warnings
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.optimize import lsq_linear

import shadematch as sm
from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.target import as_target

D65 = sm.View().observation
bytes_ = st.tuples(*[st.integers(0, 255)] * 3)


@settings(deadline=None)
@given(rgb=bytes_)
def test_every_hex_code_comes_back(rgb: tuple[int, int, int]) -> None:
    code = "#{:02x}{:02x}{:02x}".format(*rgb)
    target = sm.Target.from_hex(code)
    assert target.hex == code
    assert sm.Target.from_hex(code.upper()).lab == target.lab
    assert sm.Target.from_srgb([v / 255 for v in rgb]).lab == pytest.approx(target.lab, abs=1e-12)
    # sRGB's own white has four digits, the frozen D65 more: they differ by 0.01.
    xyz = lab_to_xyz(np.array(target.lab), D65.white)
    if xyz[1] > 1.5:  # else it looks like a colour on a scale of 0 to 1
        assert sm.Target.from_xyz(xyz).lab == pytest.approx(target.lab, abs=1e-9)
    assert sm.Target.from_lab(target.lab).lab == target.lab


@pytest.mark.parametrize("light", ["D65", "D50", "A", "C", "FL11", "LED-B3"])
@pytest.mark.parametrize("observer", ["2", "10"])
def test_optimal_colours_are_taken(light: str, observer: str) -> None:
    # E. Schroedinger, Ann. Phys. 62 (1920): the outermost colours have reflectances 0 and 1 with
    # two jumps at most.
    seen = sm.View(illuminant=light, observer=observer).observation
    for first in range(36):
        for last in range(first + 1, 37):
            band = (np.arange(36) >= first) & (np.arange(36) < last)
            for reflectance in (band, ~band):
                xyz = seen.weights @ reflectance
                lab = xyz_to_lab(xyz, seen.white)
                if xyz[1] > 1.5:  # else it looks like a colour on a scale of 0 to 1
                    taken = sm.Target.from_xyz(xyz, illuminant=light, observer=observer)
                    assert taken.lab == pytest.approx(lab)
                lab = np.clip(lab, [0, -300, -300], [100, 300, 300])
                back = sm.Target.from_lab(lab, illuminant=light, observer=observer)
                assert back.lab == pytest.approx(lab, abs=0)


@pytest.mark.parametrize("light", ["D65", "A"])
def test_what_no_surface_can_have_is_refused(light: str) -> None:
    # How far (in XYZ) a colour lies from the nearest that a reflectance from 0 to 1 gives, by
    # SciPy's bounded least squares. Permitted are 0.1 and a hundredth of the colour's size.
    seen = sm.View(illuminant=light).observation
    rng = np.random.default_rng(1)
    tally = {True: 0, False: 0}
    for lab in np.column_stack([rng.uniform(0, 100, 300), *rng.uniform(-130, 130, (2, 300))]):
        xyz = lab_to_xyz(lab, seen.white)
        cost = lsq_linear(seen.weights, xyz, bounds=(0, 1), tol=1e-12).cost
        excess = np.sqrt(2 * cost) - 0.1 - 0.01 * np.linalg.norm(xyz)
        if abs(excess) < 1e-3:
            continue
        tally[bool(excess > 0)] += 1
        if excess > 0:
            with pytest.raises(sm.ColourError, match="no surface"):
                sm.Target.from_lab(lab.tolist(), illuminant=light)
        else:
            sm.Target.from_lab(lab.tolist(), illuminant=light)
    assert min(tally.values()) > 50


@settings(max_examples=100, deadline=None)
@given(values=st.lists(st.floats(0, 1), min_size=36, max_size=36))
def test_colour_of_any_reflectance_is_taken(values: list[float]) -> None:
    target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), values)
    again = sm.Target.from_lab(np.clip(target.lab, [0, -300, -300], [100, 300, 300]))
    assert again.lab == pytest.approx(target.lab, abs=1e-9)


def test_every_real_munsell_colour_as_lab(colour) -> None:  # type: ignore[no-untyped-def]
    # Munsell renotation (S. M. Newhall, D. Nickerson, D. B. Judd, J. Opt. Soc. Am. 33 (1943)
    # 385), "real" colours in colour-science, xyY under illuminant C.
    real = colour.notation.MUNSELL_COLOURS["Munsell Colours Real"]
    assert len(real) == 2734
    white = sm.View(illuminant="C").observation.white
    for _, (x, y, big_y) in real:
        xyz = np.array([x / y * big_y, big_y, (1 - x - y) / y * big_y])
        lab = colour.XYZ_to_Lab(xyz / 100, colour.XYZ_to_xy(white / 100))
        target = sm.Target.from_lab(lab, illuminant="C")
        assert np.all(np.isfinite(target.lab_in(sm.View())))


def test_chart_patches_from_spectra_agree_with_colour_science(colour) -> None:  # type: ignore[no-untyped-def]
    # All 24 spectra of the chart that colour-science ships, in four lights and both observers.
    chart = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    worst = 0.0
    for observer, name in (("2", "CIE 1931 2 Degree"), ("10", "CIE 1964 10 Degree")):
        cmfs = colour.MSDS_CMFS[f"{name} Standard Observer"]
        for light in ("D65", "D50", "A", "LED-B3"):
            view = sm.View(illuminant=light, observer=observer)
            white = colour.XYZ_to_xy(view.observation.white / 100)
            for sd in chart.values():
                target = sm.Target.from_reflectance(sd.wavelengths.tolist(), sd.values.tolist())
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # it tells that it aligns tables
                    xyz = colour.sd_to_XYZ(sd, cmfs, colour.SDS_ILLUMINANTS[light]) / 100
                gap = delta_e(target.lab_in(view), colour.XYZ_to_Lab(xyz, white))
                worst = max(worst, float(gap))
    assert worst < 0.15  # the ends at 380 and 730 nm


def test_measured_reflectance_in_steps_of_its_own() -> None:
    # The same smooth spectrum at 1, 5, 10 and 20 nm is the same colour, nearly.
    x = np.arange(360.0, 781.0)
    y = 0.1 + 0.7 / (1 + np.exp((560 - x) / 15))
    labs = [sm.Target.from_reflectance(x[::k].tolist(), y[::k].tolist()).lab for k in (1, 5, 10)]
    assert labs[1] == pytest.approx(labs[0], abs=1e-9)
    assert labs[2] == pytest.approx(labs[0], abs=1e-9)
    coarse = sm.Target.from_reflectance(x[::20].tolist(), y[::20].tolist()).lab
    assert delta_e(np.array(coarse), np.array(labs[0])) < 0.3


def test_a_spectrum_file(tmp_path: Path) -> None:
    place = tmp_path / "sample.csv"
    rows = [(w, 0.5 + 0.3 * np.sin(w / 90)) for w in range(380, 731, 10)]
    place.write_text("".join(f"{w},{r}\n" for w, r in rows))
    target = sm.Target.from_csv(place)
    assert target.lab == sm.Target.from_reflectance(*zip(*rows, strict=True)).lab
    place.write_text("".join(f"{w},{100 * r}\n" for w, r in rows))
    with pytest.raises(sm.SpectrumError, match=r"line \d+.*percent"):
        sm.Target.from_csv(place)
    place.write_text("".join(f"{w};{r:.3f}\n".replace(".", ",") for w, r in rows))
    assert sm.Target.from_csv(place).lab == pytest.approx(target.lab, abs=0.05)
    with pytest.raises(sm.SpectrumError, match="missing"):
        sm.Target.from_csv(tmp_path / "missing.csv")


@pytest.mark.parametrize(
    "xyz", [(0.3, 0.3, 0.3), (0.95, 1, 1.08), (0.9505, 1.0, 1.089), (1.4, 1.5, 1.6), (0, 0, 0)]
)
def test_xyz_on_a_scale_of_0_to_1_is_refused(xyz: tuple[float, float, float]) -> None:
    # White of D65 has X, Y, Z = 95.05, 100, 108.9 (ISO/CIE 11664-2, from memory).
    with pytest.raises(sm.ColourError, match=r"scale of 0 to 1.*Multiply by 100") as found:
        sm.Target.from_xyz(xyz)
    assert found.value.field == "xyz"
    white = sm.Target.from_xyz([100 * v for v in (0.9505, 1.0, 1.089)])
    assert white.lab == pytest.approx((100, 0, 0), abs=0.05)


def test_observers_are_degrees() -> None:
    ten = sm.Target.from_lab((50, 10, 10), observer="10")
    for degrees in (10, np.int64(10), 10.0):
        assert sm.Target.from_lab((50, 10, 10), observer=degrees) == ten
        assert sm.View(observer=degrees) == sm.View(observer="10")


def test_what_holds_a_target_is_taken_for_it() -> None:
    class Seen:
        target = sm.Target.from_hex("#d9822b")

    assert as_target(Seen()) is Seen.target
    with pytest.raises(sm.ColourError, match="neither a Target nor a hex colour"):
        as_target(sm.Pour(batch_g=100))  # type: ignore[arg-type]


def test_adaptation_there_and_back() -> None:
    for light in ("D50", "A", "FL11"):
        target = sm.Target.from_lab((55, 20, -30), illuminant=light)
        there = target.lab_in(sm.View())
        back = sm.Target(tuple(there.tolist())).lab_in(sm.View(illuminant=light))
        assert back == pytest.approx((55, 20, -30), abs=1e-9)
        # A grey stays grey.
        grey = sm.Target.from_lab((50, 0, 0), illuminant=light)
        assert grey.lab_in(sm.View(observer="10")) == pytest.approx((50, 0, 0), abs=1e-9)


def test_frozen_and_picklable() -> None:
    target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), [0.5] * 36)
    with pytest.raises(AttributeError):
        target.lab = (0, 0, 0)  # type: ignore[misc]
    assert target.reflectance is not None
    with pytest.raises(ValueError, match="read-only"):
        target.reflectance[0] = 0
    again = pickle.loads(pickle.dumps(target))
    assert again == target
    assert again.lab_in(sm.View(illuminant="A")) == pytest.approx(
        target.lab_in(sm.View(illuminant="A"))
    )


@pytest.mark.parametrize(
    ("make", "value", "field"),
    [
        ("from_srgb", (217, 130, 43), "srgb"),
        ("from_srgb", (0.1, 0.2), "srgb"),
        ("from_srgb", (0.1, 0.2, float("nan")), "srgb"),
        ("from_srgb", "#d9822b", "srgb"),
        ("from_srgb", None, "srgb"),
        ("from_xyz", (-5, 20, 30), "xyz"),
        ("from_xyz", (120, 130, 130), "xyz"),
        ("from_xyz", (1, 2, 3, 4), "xyz"),
        ("from_xyz", ("x", 2, 3), "xyz"),
        ("from_xyz", (10**400, 2, 3), "xyz"),
        ("from_lab", {"L": 50}, "lab"),
        ("from_lab", [[50, 0, 0]], "lab"),
    ],
)
def test_bad_numbers(make: str, value: object, field: str) -> None:
    with pytest.raises(sm.ColourError) as found:
        getattr(sm.Target, make)(value)
    assert found.value.field == field
    assert found.value.remedy


def test_a_covariance_beyond_any_colour_is_refused() -> None:
    for size in (1.1e6, 1e200, 1e308):
        with pytest.raises(sm.ColourError, match="larger than that of any colour") as found:
            sm.Target.from_lab((50, 0, 0), covariance=np.eye(3) * size)
        assert found.value.field == "covariance"
    known = sm.Target.from_lab((50, 0, 0), covariance=np.eye(3) * 1e6)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert sm.match(known, max_pigments=1, pour=sm.Pour(batch_g=100)).verdict.limit == "target"


@pytest.mark.parametrize("make", ["from_lab", "from_xyz"])
@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("illuminant", "D64"),
        ("illuminant", None),
        ("observer", True),
        ("observer", 3),
        ("observer", "5"),
        ("illuminant", ["D65"]),
    ],
)
def test_bad_light(make: str, field: str, value: object) -> None:
    with pytest.raises(sm.ColourError) as found:
        getattr(sm.Target, make)((20, 21, 22), **{field: value})
    assert found.value.field == field
    assert found.value.remedy


def test_covariance_is_kept_and_checked() -> None:
    spread = ((4.0, 1.0, 0.0), (1.0, 9.0, -2.0), (0.0, -2.0, 1.0))
    target = sm.Target.from_lab((50, 20, 30), covariance=np.array(spread))
    assert target.covariance == spread
    assert hash(target) == hash(sm.Target.from_lab((50, 20, 30), covariance=spread))
    assert sm.Target.from_lab((50, 20, 30)).covariance is None
    for wrong in (
        ((1, 0, 0), (0, -1, 0), (0, 0, 1)),
        ((1, 2, 0), (0, 1, 0), (0, 0, 1)),
        ((1, 0), (0, 1)),
        ((np.nan, 0, 0), (0, 1, 0), (0, 0, 1)),
        "nonsense",
    ):
        with pytest.raises(sm.ColourError, match="covariance"):
            sm.Target.from_lab((50, 20, 30), covariance=wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("lab", [(50, 0, 0), (62, 26, 53), (30, 20, -50), (95, 0, 2)])
@pytest.mark.parametrize("size", [0.3, 2.0])
def test_radius_holds_nine_in_ten_of_random_colours(
    lab: tuple[float, float, float], size: float, colour: ModuleType
) -> None:
    # Outside check: drawn colours, and colour-science's CIEDE2000.
    rng = np.random.default_rng(5)
    root = size * np.array([[1.0, 0, 0], [0.4, 1.5, 0], [-0.6, 0.5, 0.8]])
    target = sm.Target.from_lab(lab, covariance=(root @ root.T).tolist())
    drawn = np.array(lab) + rng.normal(size=(20_000, 3)) @ root.T
    far = np.asarray(colour.difference.delta_E_CIE2000(drawn, np.array(lab)))
    assert np.mean(far <= target.radius) == pytest.approx(0.9, abs=0.012)


def test_radius_of_what_is_known_exactly() -> None:
    assert sm.Target.from_hex("#d9822b").radius == 0.0
    assert sm.Target.from_lab((50, 0, 0), covariance=np.zeros((3, 3)).tolist()).radius == 0.0
    along = sm.Target.from_lab((50, 0, 0), covariance=((4, 0, 0), (0, 0, 0), (0, 0, 0)))
    # A normal deviate lies within 1.645 standard deviations in nine of ten cases; near L* = 50
    # CIEDE2000 is the difference in L*, but for a little.
    assert along.radius == pytest.approx(1.645 * 2, rel=0.1)
    assert "known to CIEDE2000 3." in str(along)


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
