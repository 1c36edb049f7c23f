"""XYZ, CIELAB, sRGB and adaptation against colour-science and a printed chart."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, strategies as st

from shadematch.colour.colorimetry import (
    LAB_FROM_RESPONSE,
    SRGB_WHITE,
    adapt,
    cube_root_response,
    hex_to_srgb,
    lab_from_response,
    lab_to_xyz,
    srgb_to_hex,
    srgb_to_xyz,
    xyz_to_lab,
    xyz_to_srgb,
)
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.errors import ColourError
from shadematch.support.arrays import FloatArray

Reference = Callable[[str], list[dict[str, str]]]

D65 = observation("D65").white
WHITES = [D65, observation("A").white, observation("FL11", "10").white]


def many_xyz(count: int = 20_000) -> FloatArray:
    """Light, very dark, and a few with negative parts."""
    rng = np.random.default_rng(1)
    xyz = rng.uniform(0, 120, (count, 3))
    xyz[: count // 4] *= 0.01
    xyz[: count // 20] *= -1
    return xyz


# --- CIELAB


@pytest.mark.parametrize("white", WHITES)
def test_lab_as_colour_science(colour: ModuleType, white: FloatArray) -> None:
    xyz = many_xyz()
    xy = colour.XYZ_to_xy(white / 100)
    lab = xyz_to_lab(xyz, white)
    assert np.max(np.abs(lab - colour.XYZ_to_Lab(xyz / 100, xy))) < 1e-10
    back = lab_to_xyz(lab, white)
    assert np.max(np.abs(back - 100 * colour.Lab_to_XYZ(lab, xy))) < 1e-10
    assert np.max(np.abs(back - xyz)) < 1e-10


def test_lab_of_white_and_black() -> None:
    assert np.allclose(xyz_to_lab(D65, D65), [100, 0, 0], rtol=0, atol=1e-12)
    assert np.allclose(xyz_to_lab(np.zeros(3), D65), 0, rtol=0, atol=1e-12)
    assert np.allclose(lab_to_xyz(np.zeros(3), D65), 0, rtol=0, atol=1e-12)
    dark = 10.0 ** np.random.default_rng(1).uniform(-300, 0, (1000, 3))
    for xyz in (np.zeros(3), np.zeros((7, 3)), dark):
        assert xyz_to_lab(xyz, D65)[..., 0].min() >= 0.0


def test_lab_of_the_chart(reference: Reference) -> None:
    # 24-patch chart, "After November 2014", as shipped in colour-science; seen. Lab to two
    # decimals or so, xyY to five, under ICC D50 (X, Z = 96.42, 82.49; ICC.1:2010). The rounding
    # of x and y is worth up to 0.003 in Lab.
    rows = reference("chart24_after2014_lab_d50.csv")
    assert len(rows) == 24
    x, y, Y = (np.array([float(row[k]) for row in rows]) for k in ("x", "y", "Y"))
    printed = np.array([[float(row[k]) for k in ("L", "a", "b")] for row in rows])
    xyz = 100 * np.stack([x / y * Y, Y, (1 - x - y) / y * Y], axis=-1)
    icc = np.array([96.42, 100.0, 82.49])
    lab = xyz_to_lab(xyz, icc)
    assert np.max(np.abs(lab - printed)) < 0.004
    assert np.max(delta_e(lab, printed)) < 0.004
    # Our own D50, summed from the illuminant's table, is 0.02 off in Z.
    assert np.max(delta_e(xyz_to_lab(xyz, observation("D50").white), printed)) < 0.02


def test_negative_and_huge_xyz_give_numbers() -> None:
    values = np.array([-1e6, -100, -1, -1e-9, 0, 1e-300, 1e-9, 1, 1e6])
    xyz = np.stack(np.meshgrid(values, values, values), axis=-1)
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        lab = xyz_to_lab(xyz, D65)
        f, slope = cube_root_response(xyz, D65)
        rgb, inside = xyz_to_srgb(xyz, D65)
    for result in (lab, f, slope, rgb):
        assert np.all(np.isfinite(result))
    assert np.all(slope > 0)
    assert np.all((rgb >= 0) & (rgb <= 1))
    assert inside.dtype == bool
    assert np.allclose(lab_to_xyz(lab, D65), xyz, rtol=1e-9, atol=1e-9)


def test_response_and_its_slope() -> None:
    knee = (6 / 29) ** 3 * D65
    xyz = np.concatenate([many_xyz(2000), 0.5 * knee[None], 2 * knee[None]])
    xyz = xyz[np.all(np.abs(xyz - knee) > 1e-3, axis=1)]
    f, slope = cube_root_response(xyz, D65)
    assert np.allclose(lab_from_response(f), xyz_to_lab(xyz, D65), rtol=0, atol=1e-12)
    assert np.allclose(f @ LAB_FROM_RESPONSE.T - [16, 0, 0], lab_from_response(f), atol=1e-12)
    h = 1e-4 * np.maximum(np.abs(xyz), 1)
    high, low = (cube_root_response(xyz + s * h, D65)[0] for s in (1, -1))
    assert np.allclose((high - low) / (2 * h), slope, rtol=1e-4)
    # The two pieces meet with the same value and slope (CIE 15).
    high, low = (cube_root_response(s * knee, D65) for s in (1 + 1e-12, 1 - 1e-12))
    assert np.allclose(high[0], low[0], rtol=1e-11)
    assert np.allclose(high[1], low[1], rtol=1e-11)


# --- sRGB


def test_srgb_as_colour_science(colour: ModuleType) -> None:
    # Both use the matrix that IEC 61966-2-1 prints, to four decimals. For the way back IEC prints
    # a rounded inverse, which colour-science takes too; ours is the true inverse, so that colours
    # come back. The two differ by 3e-4, less than a tenth of an 8-bit step.
    rgb = np.random.default_rng(2).uniform(0, 1, (20_000, 3))
    xyz = srgb_to_xyz(rgb)
    assert np.max(np.abs(xyz - 100 * colour.sRGB_to_XYZ(rgb))) < 1e-10
    back, inside = xyz_to_srgb(xyz, SRGB_WHITE)
    assert np.max(np.abs(back - colour.XYZ_to_sRGB(xyz / 100))) < 4e-4
    assert np.max(np.abs(back - rgb)) < 1e-12
    assert np.all(inside)


def test_srgb_matrix_against_its_primaries(colour: ModuleType) -> None:
    # Derived from the primaries and D65 0.3127, 0.3290 of IEC 61966-2-1, unrounded: half a unit
    # of the fourth decimal in each of three entries is up to 0.015 in XYZ.
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_transformation_matrices(True)
    rgb = np.random.default_rng(3).uniform(0, 1, (2000, 3))
    derived = 100 * colour.RGB_to_XYZ(rgb, space, apply_cctf_decoding=True)
    assert np.max(np.abs(srgb_to_xyz(rgb) - derived)) < 0.015


def test_srgb_transfer_constants() -> None:
    # 12.92, 0.0031308, 1.055, 2.4: IEC 61966-2-1, from memory.
    for level in (0.001, 0.0031307, 0.0031309, 0.02, 0.18, 0.9):
        expected = 12.92 * level if level <= 0.0031308 else 1.055 * level ** (1 / 2.4) - 0.055
        rgb, _ = xyz_to_srgb(level * SRGB_WHITE, SRGB_WHITE)
        assert np.allclose(rgb, expected, rtol=0, atol=1e-12)
    # The standard's two pieces do not quite meet: 0.04045 comes back 3e-8 off.
    greys = np.repeat(np.linspace(0, 1, 4001)[:, None], 3, axis=1)
    assert np.max(np.abs(xyz_to_srgb(srgb_to_xyz(greys), SRGB_WHITE)[0] - greys)) < 5e-8


@pytest.mark.parametrize("white", WHITES)
def test_white_is_shown_white(white: FloatArray) -> None:
    rgb, inside = xyz_to_srgb(white, white)
    assert np.allclose(rgb, 1, rtol=0, atol=1e-12)
    assert inside


def test_in_gamut_flag() -> None:
    half = 0.5 / 255
    outside = srgb_to_xyz(np.array([[1.2, 0.5, 0.5], [0.5, 1.02, 0.5], [0.5, 0.5, -0.1]]))
    rgb, inside = xyz_to_srgb(outside, SRGB_WHITE)
    assert not inside.any()
    assert rgb.max() == 1
    assert rgb.min() == 0
    # Up to half of an 8-bit step it shows as the same code.
    for part, expected in ((1 + 0.9 * half, True), (1 + 1.1 * half, False)):
        assert xyz_to_srgb(srgb_to_xyz(np.array([0.5, part, 0.5])), SRGB_WHITE)[1] == expected
    for part, expected in ((-0.9 * half, True), (-1.1 * half, False)):
        assert xyz_to_srgb(srgb_to_xyz(np.array([0.5, part, 0.5])), SRGB_WHITE)[1] == expected
    # The pure green of a spectrum is on no display.
    assert not xyz_to_srgb(np.array([6.3, 71.0, 7.8]), D65)[1]


# --- adaptation


def test_bradford_as_colour_science(colour: ModuleType) -> None:
    xyz = many_xyz(5000)
    for source in WHITES:
        for destination in (SRGB_WHITE, *WHITES):
            there = adapt(xyz, source, destination)
            expected = colour.chromatic_adaptation(
                xyz, source, destination, method="Von Kries", transform="Bradford"
            )
            assert np.max(np.abs(there - expected)) < 1e-10
            assert np.max(np.abs(adapt(there, destination, source) - xyz)) < 1e-10
            assert np.max(np.abs(adapt(source, source, destination) - destination)) < 1e-10


def test_display_adapts_from_the_other_white() -> None:
    rgb = np.random.default_rng(4).uniform(0, 1, (2000, 3))
    under_a = adapt(srgb_to_xyz(rgb), SRGB_WHITE, observation("A").white)
    assert np.max(np.abs(xyz_to_srgb(under_a, observation("A").white)[0] - rgb)) < 1e-11


def test_shapes() -> None:
    xyz = many_xyz(60).reshape(4, 5, 3, 3)
    assert xyz_to_lab(xyz, D65).shape == xyz.shape
    assert lab_to_xyz(xyz, D65).shape == xyz.shape
    assert srgb_to_xyz(xyz / 100).shape == xyz.shape
    rgb, inside = xyz_to_srgb(xyz, D65)
    assert (rgb.shape, inside.shape) == (xyz.shape, xyz.shape[:-1])


# --- hex codes


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_hex_round_trip(parts: tuple[int, int, int]) -> None:
    code = "#{:02x}{:02x}{:02x}".format(*parts)
    rgb = hex_to_srgb(code)
    assert np.allclose(255 * rgb, parts, rtol=0, atol=1e-12)
    assert srgb_to_hex(rgb) == code
    assert np.array_equal(hex_to_srgb(code[1:].upper()), rgb)
    shown, inside = xyz_to_srgb(srgb_to_xyz(rgb), SRGB_WHITE)
    assert inside
    assert srgb_to_hex(shown) == code


@pytest.mark.parametrize(
    ("code", "parts"),
    [
        ("#d9822b", (217, 130, 43)),
        ("d9822b", (217, 130, 43)),
        (" #ABC\n", (170, 187, 204)),
        ("f00", (255, 0, 0)),
    ],
)
def test_hex_forms(code: str, parts: tuple[int, int, int]) -> None:
    assert np.allclose(255 * hex_to_srgb(code), parts, rtol=0, atol=1e-12)


def test_hex_is_clipped() -> None:
    assert srgb_to_hex(np.array([-0.3, 0.5, 1.7])) == "#0080ff"


@pytest.mark.parametrize(
    "code", ["", "#", "#12", "#1234", "#12345", "#1234567", "##123456", "#12345g", "red", "#١٢٣"]
)
def test_text_that_is_no_hex_code(code: str) -> None:
    with pytest.raises(ColourError, match="is not a hex colour") as caught:
        hex_to_srgb(code)
    assert caught.value.field == "hex"
    assert caught.value.value == code
    assert "#rrggbb" in str(caught.value)


@pytest.mark.parametrize("thing", [None, 123456, b"#123456", ["#123456"]])
def test_things_that_are_no_text(thing: object) -> None:
    with pytest.raises(ColourError, match="is not a hex colour"):
        hex_to_srgb(thing)  # type: ignore[arg-type]
