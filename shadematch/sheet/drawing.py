"""Rulers and swatches as SVG, in millimetres.

Colours are fills of shapes, which printers print even without backgrounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from shadematch.support.mark import corner

__all__ = ["MARKS_MM", "PAPER_RULER_CM", "drop", "ruler", "scale_for", "swatches"]

PAPER_RULER_CM: Final = 15
"""Length of a ruler across the page [cm]."""
MARKS_MM: Final = 3.8
"""Height of the marks and figures below a bar [mm]."""
_LEFT: Final = 2.0
_CORNER_MM: Final = 4.0
_INK: Final = "#1b1b1b"
_EDGE: Final = "#77736a"


def _svg(width: float, height: float, label: str, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(label)}" '
        f'width="{width:g}mm" height="{height:g}mm" viewBox="0 0 {width:g} {height:g}">'
        f"{''.join(parts)}</svg>"
    )


def _box(left: float, top: float, width: float, height: float, fill: str, edge: float = 0.2) -> str:
    return (
        f'<rect x="{left:.3f}" y="{top:.3f}" width="{width:.3f}" height="{height:.3f}" '
        f'fill="{escape(fill)}" stroke="{_EDGE}" stroke-width="{edge:g}"/>'
    )


def scale_for(longest: float) -> int:
    """Centimetres of paste per drawn centimetre: 1, 2, 5, 10, ..."""
    power = 1
    while True:
        for digit in (1, 2, 5):
            if longest <= PAPER_RULER_CM * digit * power:
                return digit * power
        power *= 10


def ruler(
    dose_cm: float,
    hex_code: str,
    scale: int,
    *,
    start: float = 0.0,
    height_mm: float,
    in_srgb: bool = True,
) -> str:
    """The part of a dose that lies on one stretch of a ruler, as a bar along it.

    Parameters
    ----------
    dose_cm
        Length of the whole dose [cm].
    hex_code, in_srgb
        Colour of the bar, and whether the code shows it without clipping.
    scale
        See `scale_for`; 1 is true to size.
    start
        Where the stretch begins [cm of paste].
    height_mm
        Height of the bar [mm]; the marks take `MARKS_MM` more.
    """
    end = PAPER_RULER_CM * 10.0
    y = height_mm + 0.5
    length = min(max((dose_cm - start) / scale * 10.0, 0.1), end)
    parts = [_box(_LEFT, 0.3, length, height_mm, hex_code)]
    if not in_srgb and length > 2.0:
        parts.append(corner(_LEFT + length, 0.3 + height_mm, min(_CORNER_MM, length, height_mm)))
    marks = "".join(
        f"M{_LEFT + 5 * i:g} {y:g}v{1.2 if i % 2 == 0 else 0.7}"
        for i in range(2 * PAPER_RULER_CM + 1)
    )
    parts.append(
        f'<path d="M{_LEFT} {y:g}h{end:g}{marks}" stroke="{_INK}" stroke-width="0.15" fill="none"/>'
    )
    parts += [
        f'<text x="{_LEFT + 10 * i:g}" y="{y + 3.1:g}" font-size="2.2" fill="{_INK}" '
        f'text-anchor="middle" font-family="sans-serif">{start + i * scale:g}</text>'
        for i in range(PAPER_RULER_CM + 1)
    ]
    label = f"{dose_cm:g} cm along a ruler"
    return _svg(end + 2 * _LEFT, height_mm + MARKS_MM, label, parts)


def swatches(
    colours: Sequence[tuple[str, bool]], label: str, *, each_mm: float, height_mm: float
) -> str:
    """Colours side by side, touching: the code of each, and whether sRGB shows it."""
    count = len(colours)
    # Each but the last extends below the next, so that no seam shows between them.
    parts = [
        _box(
            left=0.2 + i * each_mm,
            top=0.2,
            width=(count - i) * each_mm,
            height=height_mm - 0.4,
            fill=code,
            edge=0.0,
        )
        for i, (code, _) in enumerate(colours)
    ]
    parts += [
        corner(0.2 + (i + 1) * each_mm, height_mm - 0.2, _CORNER_MM)
        for i, (_, true) in enumerate(colours)
        if not true
    ]
    width = count * each_mm + 0.4
    parts.append(
        f'<rect x="0.1" y="0.1" width="{width - 0.2:g}" height="{height_mm - 0.2:g}" '
        f'fill="none" stroke="{_EDGE}" stroke-width="0.2"/>'
    )
    return _svg(width, height_mm, label, parts)


def drop(code: str, label: str, *, size_mm: float, in_srgb: bool = True) -> str:
    """A round drop; if sRGB doesn't show it, with the mark beside its foot."""
    r = size_mm / 2
    circle = (
        f'<circle cx="{r:g}" cy="{r:g}" r="{r - 0.2:g}" fill="{escape(code)}" '
        f'stroke="{_EDGE}" stroke-width="0.2"/>'
    )
    marks = [] if in_srgb else [corner(size_mm, size_mm, _CORNER_MM)]
    return _svg(size_mm, size_mm, label, [circle, *marks])
