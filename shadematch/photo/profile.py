"""From the numbers in a photo to linear light, by its ICC profile.

Matrix profiles (of phones, cameras and screens) are read here, because colour engines that work in
8 bits round in between and clip what lies outside sRGB. Nothing else of a profile is read, not even
its texts.

References
----------
ICC.1:2022 (profile format; chapter 10 for `curv`, `para` and `XYZ`); IEC 61966-2-1:1999 (sRGB);
SMPTE EG 432-1 (P3 primaries); ITU-R BT.2020; ITU-T H.273 (codes of primaries).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shadematch.colour.colorimetry import SRGB_WHITE, adapt, decode_srgb
from shadematch.errors import PhotoError
from shadematch.support.arrays import FloatArray

__all__ = ["ADOBE_RGB", "DISPLAY_P3", "SRGB", "Profile", "grey_of", "read_profile"]

ToneCurve = Callable[[FloatArray], FloatArray]

_D50: Final[FloatArray] = np.array([0.9642, 1.0, 0.8249])
"""White of the profile connection space (ICC.1)."""
_D65_XY: Final = (0.3127, 0.3290)
_PRIMARIES: Final = {
    "sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "Display P3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "Adobe RGB": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
    "BT.2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
"""Chromaticities of red, green and blue."""
_LONGEST: Final = 4096
"""Points of the longest curve that is read."""


@dataclass(frozen=True, eq=False)
class Profile:
    """The meaning of a photo's numbers.

    Attributes
    ----------
    name
        In words, from the primaries, never copied from the file.
    curves
        One per channel (one for a grey photo): from encoded 0 to 1 to linear 0 to 1.
    matrix
        From linear values to XYZ, with white at Y = 1, D65; shape (3, channels).
    """

    name: str
    curves: tuple[ToneCurve, ...]
    matrix: FloatArray

    @property
    def channels(self) -> int:
        """1 for grey, 3 for colour."""
        return len(self.curves)

    def tables(self, bits: int) -> tuple[NDArray[np.float32], ...]:
        """Linear value of each code of 8 or 16 bits, one array per channel."""
        codes = np.linspace(0.0, 1.0, 2**bits)
        return tuple(np.asarray(curve(codes), dtype=np.float32) for curve in self.curves)


def _power(gamma: float) -> ToneCurve:
    return lambda v: np.asarray(v**gamma)


def _of_primaries(name: str, curve: ToneCurve) -> Profile:
    xyz = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in _PRIMARIES[name]]).T
    x, y = _D65_XY
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    return Profile(name, (curve,) * 3, xyz * np.linalg.solve(xyz, white))


SRGB: Final = _of_primaries("sRGB", decode_srgb)
DISPLAY_P3: Final = _of_primaries("Display P3", decode_srgb)
ADOBE_RGB: Final = _of_primaries("Adobe RGB", _power(563 / 256))


def grey_of(profile: Profile) -> Profile:
    """The same profile for a photo with one channel."""
    white = profile.matrix.sum(axis=1, keepdims=True)
    return Profile(f"grey, {profile.name} curve", profile.curves[:1], white)


def _wrong(problem: str) -> PhotoError:
    return PhotoError(
        problem,
        field="profile",
        remedy="Save the picture again as sRGB in a picture program, or send the original",
    )


def read_profile(data: bytes, *, channels: int) -> Profile | None:
    """The meaning of a photo's numbers from its embedded ICC profile.

    `channels` of the picture are 1 or 3. None for a sound profile that is not of the matrix kind;
    a `PhotoError` for one that is damaged or for another kind of picture.
    """
    if len(data) < 132 or data[36:40] != b"acsp":
        raise _wrong("the embedded colour profile is damaged")
    space = data[16:20]
    wanted = {1: b"GRAY", 3: b"RGB "}[channels]
    if space != wanted:
        kind = {b"CMYK": "CMYK", b"GRAY": "grey", b"RGB ": "RGB"}.get(space, "other")
        raise _wrong(f"the embedded colour profile is for {kind} pictures, which this is not")
    try:
        tags = _tags(data)
        if channels == 1:
            curve = _curve(tags[b"kTRC"])
            return Profile("grey profile", (curve,), SRGB.matrix.sum(axis=1, keepdims=True))
        names = (b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC")
        if not all(name in tags for name in names):
            if b"A2B0" in tags:
                return None
            raise _wrong("the embedded colour profile is incomplete")
        matrix = np.array([_xyz(tags[name]) for name in names[:3]]).T
        curves = tuple(_curve(tags[name]) for name in names[3:])
    except (struct.error, KeyError, IndexError, OverflowError, ValueError) as found:
        if isinstance(found, PhotoError):
            raise
        raise _wrong("the embedded colour profile is damaged") from None
    if not np.allclose(matrix.sum(axis=1), _D50, atol=0.05):
        raise _wrong("the embedded colour profile has no sensible white")
    # Profiles give their white as D50; adapt it back to the D65 it stands for.
    d65 = adapt(matrix.T, matrix.sum(axis=1), SRGB_WHITE / 100.0).T
    return Profile(_name(d65), curves, d65)


def _tags(data: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", data, 128)
    if count > 200:
        raise ValueError
    found = {}
    for i in range(count):
        name, start, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        found[name] = data[start : start + size]
    return found


def _xyz(tag: bytes) -> FloatArray:
    if tag[:4] != b"XYZ ":
        raise ValueError
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _curve(tag: bytes) -> ToneCurve:
    """A tone curve that is finite, doesn't fall and runs from about 0 to about 1."""
    curve = _parametric(tag) if tag[:4] == b"para" else _sampled(tag)
    with np.errstate(all="ignore"):
        values = np.asarray(curve(np.linspace(0, 1, 256)))
    sound = np.all(np.isfinite(values)) and np.diff(values).min() > -1e-6
    if not sound or abs(values[0]) > 0.05 or abs(values[-1] - 1) > 0.05:
        raise ValueError
    return lambda v: np.clip(curve(v), 0.0, 1.0)


def _sampled(tag: bytes) -> ToneCurve:
    if tag[:4] != b"curv":
        raise ValueError
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return lambda v: v
    if count == 1:
        return _power(struct.unpack_from(">H", tag, 12)[0] / 256.0)
    if count > _LONGEST:
        raise ValueError
    table = np.array(struct.unpack_from(f">{count}H", tag, 12)) / 65535.0
    places = np.linspace(0.0, 1.0, count)
    return lambda v: np.asarray(np.interp(v, places, table))


def _parametric(tag: bytes) -> ToneCurve:
    """Function types 0 to 4 of `para` (ICC.1, table 68)."""
    (kind,) = struct.unpack_from(">H", tag, 8)
    counts = (1, 3, 4, 5, 7)
    given = [p / 65536.0 for p in struct.unpack_from(f">{counts[kind]}i", tag, 12)]
    g, a, b, c, d, e, f = given + [0.0] * (7 - len(given))
    if kind == 0:
        return _power(g)
    if kind == 1:
        d, c = -b / a if a else np.inf, 0.0
    elif kind == 2:
        d, e, f, c = (-b / a if a else np.inf), c, c, 0.0

    def curve(v: FloatArray) -> FloatArray:
        return np.asarray(np.where(v >= d, np.maximum(a * v + b, 0.0) ** g + e, c * v + f))

    return curve


def _name(matrix: FloatArray) -> str:
    """The space with these primaries, in words."""
    xy = (matrix[:2] / matrix.sum(axis=0)).T
    for name, primaries in _PRIMARIES.items():
        if np.abs(xy - np.array(primaries)).max() < 0.008:
            return name
    return "a profile of its own"
