"""Drawings for cards, as SVG in the card's colours. All text is escaped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Final

from shadematch.support.mark import corner, foot, runs

__all__ = ["colour_strip", "difference_scale", "drawing", "rule", "side_view", "text"]

_WIDTH: Final = 480.0
_HEIGHT: Final = 64.0
_STEPS: Final = 24
"""Up to so many colours in a strip are separated by lines."""
_FRAME: Final = 'fill="none" style="stroke:var(--sm-line,#77736a)"'


def drawing(shapes: Sequence[str], width: float, height: float, label: str) -> str:
    """A whole drawing, its size in px and `label` its description."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" style="min-width:{0.76 * width:.0f}px" role="img" '
        f'aria-label="{escape(label, quote=True)}">'
        f"{''.join(shapes)}</svg>"
    )


def _with_label(drawing: str, label: str) -> str:
    return f'{drawing}<div class="sm-small">{escape(label)}</div>'


def rule(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    """A straight line in a CSS style."""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" style="{style}"/>'


def text(x: float, y: float, words: str, anchor: str = "middle") -> str:
    """Words at a place, in the colour of the card's text."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="currentColor" '
        f'font-size="12">{escape(words)}</text>'
    )


def difference_scale(
    delta_e: float, low: float | None = None, high: float | None = None, *, words: bool = True
) -> str:
    """CIEDE2000 on a small square-root scale from 0 to 10, with its range from `low` to `high`.

    Above 10 an arrow marks the end. `words`: whether the number is written above.
    """
    wide, left, most = 176.0, 8.0, 10.0
    y = 34.0 if words else 12.0

    def place(value: float) -> float:
        return left + (wide - 2 * left) * math.sqrt(min(max(value, 0.0), most) / most)

    line, mark = "stroke:var(--sm-quiet,#5a564e)", "var(--sm-mark,#8a3b12)"
    parts = [rule(place(0), y, place(most), y, line)]
    for tick in (0, 1, 2, 5, 10):
        parts += [rule(place(tick), y, place(tick), y + 4, line)]
        parts.append(text(place(tick), y + 17, f"{tick}"))
    said = f"CIEDE2000 {delta_e:.2f}"
    if low is not None and high is not None:
        said += f" ({low:.1f} to {high:.1f})"
        parts.append(
            f'<rect x="{place(low):.1f}" y="{y - 4:g}" rx="3" height="8" style="fill:{mark};'
            f'opacity:.35" width="{max(place(high) - place(low), 1.0):.1f}"/>'
        )
    x = place(delta_e)
    if delta_e > most:
        parts.append(f'<path d="M{x - 2:.1f} {y - 5:g}l8 5l-8 5Z" style="fill:{mark}"/>')
    else:
        parts.append(f'<path d="M{x - 5:.1f} {y - 10:g}h10l-5 9Z" style="fill:{mark}"/>')
    if words:
        parts.append(text(0, 14, said, "start"))
    return drawing(parts, wide, y + 28.0, said)


def colour_strip(codes: Sequence[str], label: str, *, in_srgb: Sequence[bool] = ()) -> str:
    """Colours side by side, equally wide.

    Parameters
    ----------
    codes
        Hex colours, from the left.
    label
        What they show.
    in_srgb
        Whether each code shows its colour without clipping; by default all do.
    """
    each = _WIDTH / max(len(codes), 1)
    shapes = [
        # A little wider than its share, so that no light shows between neighbours.
        f'<rect x="{i * each:.2f}" y="0" width="{min(each + 0.6, _WIDTH - i * each):.2f}" '
        f'height="{_HEIGHT:g}" fill="{escape(code, quote=True)}"/>'
        for i, code in enumerate(codes)
    ]
    frame = f'<rect x="0.5" y="0.5" width="{_WIDTH - 1:g}" height="{_HEIGHT - 1:g}" {_FRAME}/>'
    # Few are steps to be told apart, however similar; many form a gradient.
    dividers = range(1, len(codes)) if len(codes) <= _STEPS else ()
    shapes += [
        rule(i * each, 0, i * each, _HEIGHT, f"stroke:{colour};stroke-width:{width}")
        for i in dividers
        for colour, width in (("#fff", 3), ("#000", 1))
    ]
    marks = [foot(i * each, j * each, _HEIGHT, 7.0) for i, j in runs(in_srgb)]
    return _with_label(drawing([*shapes, *marks, frame], _WIDTH, _HEIGHT, label), label)


def side_view(
    pieces: Sequence[tuple[Sequence[float], Sequence[float]]],
    codes: Sequence[str],
    label: str,
    *,
    in_srgb: Sequence[bool] = (),
) -> str:
    """Layers from the side, standing on a table.

    Parameters
    ----------
    pieces
        For each layer, the top one first: places from 0 to 1 along the bar, rising and common to
        all, and its thickness [cm] there.
    codes, in_srgb
        A hex colour for each, and whether it shows the colour without clipping; by default all do.
    label
        What it shows.
    """
    places = pieces[0][0]
    total = [sum(thick[i] for _, thick in pieces) for i in range(len(places))]
    tall = max([*total, 1e-9])
    height = 96.0
    scale = (height - 6.0) / tall
    below = [0.0] * len(places)
    shapes, marks = [], []
    shown = [*in_srgb] or [True] * len(codes)
    for (_, thick), code, true in zip(
        reversed(pieces), reversed(codes), reversed(shown), strict=True
    ):
        above = [b + t for b, t in zip(below, thick, strict=True)]
        corners = [
            f"{1 + p * (_WIDTH - 2):.2f},{height - 2 - y * scale:.2f}"
            for p, y in [
                *zip(places, below, strict=True),
                *reversed(list(zip(places, above, strict=True))),
            ]
        ]
        shapes.append(
            f'<polygon points="{" ".join(corners)}" fill="{escape(code, quote=True)}" '
            'style="stroke:var(--sm-line,#77736a);stroke-width:0.8"/>'
        )
        if not true and thick[-1] > 0:
            foot_y = height - 2 - below[-1] * scale
            marks.append(corner(_WIDTH - 1, foot_y, min(14.0, thick[-1] * scale)))
        below = above
    return _with_label(drawing([*shapes, *marks], _WIDTH, height, label), label)
