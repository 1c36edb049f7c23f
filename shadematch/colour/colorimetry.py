"""Spectrum to XYZ to CIELAB to sRGB, and back.

Functions work on the last axis of arrays of any leading shape. XYZ is scaled to Y = 100 for the
perfect diffuser.

References
----------
CIE 15:2018, 8.2.1 (CIELAB); IEC 61966-2-1:1999, 5.2 (sRGB to XYZ) and 5.3 (XYZ to sRGB);
ICC.1:2010, annex E (linear Bradford adaptation); W3C, WCAG 2.1 (contrast).
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from shadematch.errors import ColourError
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = [
    "LAB_FROM_RESPONSE",
    "SRGB_WHITE",
    "adapt",
    "cube_root_response",
    "decode_srgb",
    "encode_srgb",
    "hex_to_srgb",
    "ink_on",
    "lab_from_response",
    "lab_to_xyz",
    "srgb_codes",
    "srgb_margin",
    "srgb_to_hex",
    "srgb_to_xyz",
    "xyz_to_hex",
    "xyz_to_lab",
    "xyz_to_srgb",
]

# IEC 61966-2-1, linear sRGB to XYZ; the rows sum to its D65 white.
_RGB_TO_XYZ: Final[FloatArray] = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
_XYZ_TO_RGB: Final[FloatArray] = np.asarray(np.linalg.inv(_RGB_TO_XYZ), dtype=float)

SRGB_WHITE: Final[FloatArray] = np.asarray(100.0 * _RGB_TO_XYZ.sum(axis=1), dtype=float)
"""XYZ of sRGB (1, 1, 1)."""
SRGB_WHITE.setflags(write=False)

_HALF_STEP: Final = 0.5 / 255
"""Half an 8-bit step: clipping by less doesn't show."""

_BRADFORD: Final[FloatArray] = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

_DELTA: Final = 6.0 / 29.0
_LAB_OFFSET: Final[FloatArray] = np.array([-16.0, 0.0, 0.0])

LAB_FROM_RESPONSE: Final[FloatArray] = np.array(
    [[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]]
)
"""Lab = `LAB_FROM_RESPONSE` @ f - (16, 0, 0), with f from `cube_root_response`; CIE 15, 8.2.1."""


def cube_root_response(xyz: FloatArray, white: FloatArray) -> tuple[FloatArray, FloatArray]:
    """CIELAB's f(t) of X/Xn, Y/Yn, Z/Zn and its derivative by X, Y, Z, shapes (..., 3).

    `xyz` has shape (..., 3), `white` (3,). Below t = (6/29)^3, negative t included, the straight
    part of the definition applies, so nothing here gives NaN.
    """
    t = xyz / white
    root = np.cbrt(np.maximum(t, _DELTA**3))  # CIE 15, 8.2.1
    linear = t < _DELTA**3
    f = np.where(linear, t / (3 * _DELTA**2) + 4.0 / 29.0, root)
    slope = 1.0 / (3.0 * root * root * white)
    return f, slope


def lab_from_response(f: FloatArray) -> FloatArray:
    """Lab, shape (..., 3), from the three values of `cube_root_response`."""
    return f @ LAB_FROM_RESPONSE.T + _LAB_OFFSET


def xyz_to_lab(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """CIELAB of XYZ relative to a white; shapes (..., 3) and (3,)."""
    return lab_from_response(cube_root_response(np.asarray(xyz, dtype=float), white)[0])


def lab_to_xyz(lab: FloatArray, white: FloatArray) -> FloatArray:
    """XYZ of CIELAB relative to a white; shapes (..., 3) and (3,)."""
    lab = np.asarray(lab, dtype=float)
    fy = (lab[..., 0] + 16.0) / 116.0  # CIE 15, 8.2.1 inverted
    f = np.stack([fy + lab[..., 1] / 500.0, fy, fy - lab[..., 2] / 200.0], axis=-1)
    t = np.where(f > _DELTA, f**3, 3 * _DELTA**2 * (f - 4.0 / 29.0))
    return np.asarray(t * white)


def adapt(xyz: FloatArray, source: FloatArray, destination: FloatArray) -> FloatArray:
    """XYZ, shape (..., 3), adapted from one white to another, (3,) each (linear Bradford)."""
    gain = (_BRADFORD @ destination) / (_BRADFORD @ source)  # ICC.1, annex E
    matrix = np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD)
    return np.asarray(np.asarray(xyz, dtype=float) @ matrix.T)


def srgb_to_xyz(rgb: FloatArray) -> FloatArray:
    """XYZ of sRGB components 0 to 1; shape (..., 3)."""
    return np.asarray(100.0 * decode_srgb(np.asarray(rgb, dtype=float)) @ _RGB_TO_XYZ.T)


def decode_srgb(rgb: FloatArray) -> FloatArray:
    """Linear values of encoded ones, any shape (IEC 61966-2-1, 5.2)."""
    return np.where(rgb <= 0.04045, rgb / 12.92, ((np.maximum(rgb, 0) + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: FloatArray) -> FloatArray:
    """Encoded values of linear ones, any shape (IEC 61966-2-1, 5.3)."""
    steep = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, steep)


def xyz_to_srgb(xyz: FloatArray, white: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Colour on an sRGB display for a viewer adapted to `white`, shape (3,).

    Returns
    -------
    rgb
        Components clipped to 0 to 1, shape (..., 3).
    inside
        Shape (...); False where something was clipped by more than half an 8-bit step.
    """
    rgb = _components(xyz, white)
    inside = np.all((rgb >= -_HALF_STEP) & (rgb <= 1 + _HALF_STEP), axis=-1)
    return np.clip(rgb, 0.0, 1.0), np.asarray(inside)


def srgb_margin(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """How far colours lie inside sRGB, shape (...); negative where `xyz_to_srgb` clips.

    The least distance of a component from 0 and 1, continuous across the edge.
    """
    rgb = _components(xyz, white)
    return np.asarray(np.minimum(rgb, 1.0 - rgb).min(axis=-1) + _HALF_STEP)


def _components(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """Unclipped components of sRGB, shape (..., 3)."""
    shown = xyz if np.array_equal(white, SRGB_WHITE) else adapt(xyz, white, SRGB_WHITE)
    return encode_srgb(np.asarray(shown) / 100.0 @ _XYZ_TO_RGB.T)


def hex_to_srgb(code: str) -> FloatArray:
    """Components 0 to 1 of ``#rrggbb`` or ``#rgb``, with or without ``#``; else `ColourError`."""
    text = code.strip() if isinstance(code, str) else ""
    found = re.fullmatch(r"#?([0-9a-fA-F]{3}|[0-9a-fA-F]{6})", text)
    if found is None:
        raise ColourError(
            "is not a hex colour",
            field="hex",
            value=code,
            remedy="Write it as #rrggbb, for instance #d9822b",
        )
    digits = found[1] if len(found[1]) == 6 else "".join(2 * c for c in found[1])
    return np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255.0


def srgb_to_hex(rgb: FloatArray) -> str:
    """``#rrggbb`` of one colour with components 0 to 1."""
    return srgb_codes(np.asarray(rgb)[None])[0]


def xyz_to_hex(xyz: FloatArray, white: FloatArray) -> str:
    """Nearest ``#rrggbb`` of one XYZ for a viewer adapted to `white`; shapes (3,)."""
    return srgb_to_hex(xyz_to_srgb(xyz, white)[0])


def srgb_codes(rgb: FloatArray) -> list[str]:
    """``#rrggbb`` of colours with components 0 to 1, shape (t, 3)."""
    bytes_ = np.rint(255 * np.clip(rgb, 0, 1)).astype(np.uint8).tobytes().hex()
    return [f"#{bytes_[at : at + 6]}" for at in range(0, len(bytes_), 6)]


def ink_on(code: str) -> str:
    """Black or white, whichever contrasts more with a hex colour.

    They do equally at a relative luminance Y of 17.9, where (Y + 5)^2 = 105 x 5 (WCAG 2.1).
    """
    return "#000000" if srgb_to_xyz(hex_to_srgb(code))[1] > 17.9 else "#ffffff"
