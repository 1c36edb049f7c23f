"""The mark of colours outside sRGB: hatching, the same everywhere.

A patch has a hatched corner, a stretch a thin hatched bar along its foot, a surface is hatched, and
on a terminal a patch ends in ``//``. All show the nearest sRGB colour. Needs no package.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Final

__all__ = ["HATCHED", "LETTERS", "MARKED", "OUTSIDE", "corner", "foot", "key", "runs"]

OUTSIDE: Final = "outside sRGB, nearest shown"
"""The meaning of the mark."""
HATCHED: Final = f"hatched: {OUTSIDE}"
"""The legend of the mark."""
LETTERS: Final = "//"
"""The mark on a terminal."""
MARKED: Final = 'data-outside="srgb"'
"""Attribute of each mark in HTML and SVG, by which it is found."""

_WHITE: Final = "#ffffff"
_BLACK: Final = "#000000"


def runs(in_srgb: Iterable[bool]) -> list[tuple[int, int]]:
    """Stretches outside sRGB: first index, and the index after the last."""
    found = []
    for outside, group in groupby(enumerate(in_srgb), key=lambda each: not each[1]):
        indices = [i for i, _ in group]
        if outside:
            found.append((indices[0], indices[-1] + 1))
    return found


def corner(right: float, bottom: float, size: float) -> str:
    """A hatched corner with sides of length `size`, as SVG, in the units of the drawing."""
    lines = "".join(
        f"M{right:.2f} {bottom - part * size:.2f}L{right - part * size:.2f} {bottom:.2f}"
        for part in (0.82, 0.5, 0.18)
    )
    return (
        f'<path {MARKED} d="M{right:.2f} {bottom - size:.2f}V{bottom:.2f}H{right - size:.2f}Z" '
        f'fill="{_WHITE}"/><path d="{lines}" stroke="{_BLACK}" stroke-width="{size * 0.12:.2f}"/>'
    )


def foot(left: float, right: float, bottom: float, height: float) -> str:
    """A hatched bar along the foot of a stretch, as SVG, in the units of the drawing."""
    lines, x, ends = [], left, max(right - height, left)
    while x <= ends + 1e-9:
        lines.append(f"M{x:.2f} {bottom:.2f}l{height:.2f} {-height:.2f}")
        x += height
    return (
        f'<rect {MARKED} x="{left:.2f}" y="{bottom - height:.2f}" width="{right - left:.2f}" '
        f'height="{height:.2f}" fill="{_WHITE}"/>'
        f'<path d="{"".join(lines)}" stroke="{_BLACK}" stroke-width="{height * 0.3:.2f}"/>'
    )


def key() -> str:
    """The mark by itself, as SVG for a legend or the corner of a chip; 12 by 12 pixels."""
    return (
        '<svg class="sm-mark" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 12 12" width="12" '
        f'height="12" aria-hidden="true">{corner(12, 12, 12)}</svg>'
    )
