"""Regions of a photo: boxes, circles and polygons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from shadematch.errors import PhotoError
from shadematch.support.arrays import BoolArray, FloatArray
from shadematch.support.models import between, is_finite

__all__ = ["Region", "as_regions", "overlap"]

_LARGEST_SIDE: Final = 10_000_000

RegionKind = Literal["box", "circle", "polygon"]


@dataclass(frozen=True)
class Region:
    """A part of a photo: `Region.box`, `Region.circle` or `Region.polygon`.

    Places are counted from the upper left corner of the upright photo, x to the right, y down. They
    are fractions of width and height if none is above 1, else pixels; a circle's radius is then a
    fraction of the shorter side.

    Attributes
    ----------
    kind
        ``"box"``, ``"circle"`` or ``"polygon"``.
    numbers
        Left, top, right, bottom; or x, y, radius; or x, y of each corner in turn.

    Raises
    ------
    PhotoError
        If kind and numbers are not those of a region.
    """

    kind: RegionKind
    numbers: tuple[float, ...]

    def __post_init__(self) -> None:
        n = self.numbers
        if (
            not isinstance(n, Sequence | np.ndarray)
            or isinstance(n, str)
            or not all(map(is_finite, n))
        ):
            raise PhotoError(
                "must be finite numbers",
                field="region",
                value=n,
                remedy="Give left, top, right, bottom",
            )
        wanted = {
            "box": len(n) == 4,
            "circle": len(n) == 3,
            "polygon": len(n) >= 6 and len(n) % 2 == 0,
        }
        problem = ""
        if not isinstance(self.kind, str) or self.kind not in wanted:
            problem = "must be a box, a circle or a polygon"
        elif not wanted[self.kind]:
            problem = "has the wrong count of numbers"
        elif self.kind == "box" and (n[2] <= n[0] or n[3] <= n[1]):
            problem = "has no inside: left must be less than right, top less than bottom"
        elif self.kind == "circle" and n[2] <= 0:
            problem = "has no inside: the radius must be above 0"
        if problem:
            raise PhotoError(
                problem,
                field="region",
                value=n,
                remedy="Give left, top, right, bottom for a box, or use Region.circle "
                "and Region.polygon",
            )
        object.__setattr__(self, "numbers", tuple(float(v) for v in n))

    @classmethod
    def box(cls, left: float, top: float, right: float, bottom: float) -> Region:
        """An upright rectangle."""
        return cls("box", (left, top, right, bottom))

    @classmethod
    def circle(cls, x: float, y: float, radius: float) -> Region:
        """A circle about (x, y)."""
        return cls("circle", (x, y, radius))

    @classmethod
    def polygon(cls, *corners: Sequence[float]) -> Region:
        """The inside of a polygon of three or more corners (x, y), by the even-odd rule."""
        for corner in corners:
            if not isinstance(corner, Sequence | np.ndarray) or np.shape(corner) != (2,):
                raise PhotoError(
                    "a corner is not a pair of numbers",
                    field="region",
                    value=corner,
                    remedy="Give each corner as (x, y)",
                )
        return cls("polygon", tuple(v for corner in corners for v in corner))

    @classmethod
    def parse(cls, text: str) -> Region:
        """From a text: four numbers (a box), or ``circle`` or ``polygon`` and numbers.

        Commas or blanks separate numbers: ``0.2,0.3,0.5,0.6``, ``circle 0.5,0.5,0.1``,
        ``polygon 10,10 90,20 50,80``.

        Raises
        ------
        PhotoError
            If the text is not a region.
        """
        words = str(text).replace(",", " ").replace(":", " ").split()
        kind: RegionKind = "box"
        if words and words[0] in ("box", "circle", "polygon"):
            kind = words.pop(0)  # type: ignore[assignment]
        try:
            numbers = tuple(float(word) for word in words)
        except ValueError:
            numbers = ()
        problem = "must say where: left, top, right, bottom"
        if numbers:
            try:
                return cls(kind, numbers)
            except PhotoError as found:
                problem = found.problem
        raise PhotoError(
            problem,
            field="region",
            value=text,
            remedy="Write left,top,right,bottom in pixels or fractions, or "
            "'circle x,y,radius', or 'polygon x,y x,y x,y'",
        )

    def outline(self, width: int, height: int) -> tuple[float, ...]:
        """The numbers in pixels of a photo of that size; a `PhotoError` for an invalid size."""
        for name, size in (("width", width), ("height", height)):
            remedy = "Give the size of the photo in pixels"
            between(size, name, 1, _LARGEST_SIDE, remedy, error=PhotoError)
        if max(self.numbers) > 1.0:
            return self.numbers
        if self.kind == "circle":
            x, y, radius = self.numbers
            return x * width, y * height, radius * min(width, height)
        return tuple(v * (height if i % 2 else width) for i, v in enumerate(self.numbers))

    def frame(self, width: int, height: int) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the pixels it touches; a `PhotoError` if outside."""
        n = self.outline(width, height)
        xs, ys = n[0::2], n[1::2]
        if self.kind == "circle":
            xs, ys = (n[0] - n[2], n[0] + n[2]), (n[1] - n[2], n[1] + n[2])
        slack = 1e-6 * (width + height)
        if min(*xs, *ys) < -slack or max(xs) > width + slack or max(ys) > height + slack:
            raise PhotoError(
                f"lies outside the photo, which has {width} x {height} pixels",
                field="region",
                value=self.numbers,
                remedy="Give pixels counted from the upper left corner, or fractions 0 to 1",
            )
        left, top = max(0, math.floor(min(xs) + 1e-9)), max(0, math.floor(min(ys) + 1e-9))
        right = max(left + 1, min(width, math.ceil(max(xs) - 1e-9)))
        bottom = max(top + 1, min(height, math.ceil(max(ys) - 1e-9)))
        return left, top, right, bottom

    def holds(self, x: FloatArray, y: FloatArray, width: int, height: int) -> BoolArray:
        """Whether points (x, y) [pixels] lie in it, shape (len(y), len(x)).

        Raises
        ------
        PhotoError
            If x or y is not a list of finite numbers, or the size is invalid.
        """
        n = self.outline(width, height)
        x, y = _places(x, "x"), _places(y, "y")
        if self.kind == "box":
            across = (x >= n[0]) & (x <= n[2])
            down = (y >= n[1]) & (y <= n[3])
            return np.asarray(down[:, None] & across)
        if self.kind == "circle":
            return np.asarray(np.square(y - n[1])[:, None] + np.square(x - n[0]) <= n[2] * n[2])
        inside = np.zeros((y.size, x.size), dtype=bool)
        corners = list(zip(n[0::2], n[1::2], strict=True))
        for (xa, ya), (xb, yb) in zip(corners, corners[1:] + corners[:1], strict=True):
            if ya == yb:
                continue
            crossed = (y > min(ya, yb)) & (y <= max(ya, yb))
            at = xa + (y - ya) * (xb - xa) / (yb - ya)
            inside ^= crossed[:, None] & (x < at[:, None])
        return inside

    def __str__(self) -> str:
        """As `parse` reads it."""
        n = [f"{v:g}" for v in self.numbers]
        if self.kind == "polygon":
            pairs = " ".join(f"{x},{y}" for x, y in zip(n[0::2], n[1::2], strict=True))
            return f"polygon {pairs}"
        return ("" if self.kind == "box" else "circle ") + ",".join(n)


def _places(given: FloatArray, field_: str) -> FloatArray:
    try:
        values = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        values = np.array(np.nan)
    if values.ndim != 1 or not np.all(np.isfinite(values)):
        raise PhotoError(
            "must be a list of finite numbers", field=field_, value=given, remedy="In pixels"
        )
    return values


def overlap(one: Region, other: Region, width: int, height: int) -> bool:
    """Whether two regions of a photo of that size share a pixel."""
    frames = one.frame(width, height), other.frame(width, height)
    left, top = (max(f[i] for f in frames) for i in (0, 1))
    right, bottom = (min(f[i] for f in frames) for i in (2, 3))
    x, y = (np.arange(a, b).astype(float) + 0.5 for a, b in ((left, right), (top, bottom)))
    if not x.size or not y.size:
        return False
    return bool(np.any(one.holds(x, y, width, height) & other.holds(x, y, width, height)))


def as_regions(given: object, field_: str = "region") -> tuple[Region, ...]:
    """One or several regions from a `Region`, a text, four numbers, or a list of these.

    Anything else is a `PhotoError`, which calls the field `field_`.
    """
    if isinstance(given, Region):
        return (given,)
    try:
        if isinstance(given, str):
            return (Region.parse(given),)
        if isinstance(given, Sequence | np.ndarray) and len(given) and all(map(is_finite, given)):
            return (Region("box", tuple(given)),)
    except PhotoError as found:
        raise found.at(field_) from None
    if isinstance(given, Sequence | np.ndarray) and len(given):
        return tuple(r for one in given for r in as_regions(one, field_))
    raise PhotoError(
        "is not a region",
        field=field_,
        value=given,
        remedy="Give left, top, right, bottom, a Region, or a list of them",
    )
