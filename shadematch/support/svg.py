"""Drawings for cards, as SVG in the card's colours. All text is escaped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Final

from shadematch.support.mark import corner, foot, runs

__all__ = ["chart", "colour_strip", "difference_scale", "drawing", "rule", "side_view", "text"]

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


def chart(
    points: Sequence[tuple[float, float]],
    *,
    across: str,
    up: str,
    level: float,
    level_name: str,
    mark: tuple[float, float] | None = None,
    mark_name: str = "",
) -> str:
    """A curve over numbers from 0 on, with a level to reach.

    Parameters
    ----------
    points
        One or more pairs of numbers from 0 on, rising in the first.
    across, up
        What the two are, with their unit.
    level, level_name
        A height drawn as a dashed line, and its label.
    mark, mark_name
        A point to mark, and its label.
    """
    wide, high, left, foot, top = 620.0, 260.0, 52.0, 44.0, 16.0
    x_most = max(max(p[0] for p in points), 1e-9)
    y_most = max(*(p[1] for p in points), 1.6 * level, 1e-9)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            left + (wide - left - 14) * x / x_most,
            high - foot - (high - foot - top) * y / y_most,
        )

    line, mark_colour = "stroke:var(--sm-line,#77736a)", "var(--sm-mark,#8a3b12)"
    x0, y0 = place(0, 0)
    x1, y_level = place(x_most, level)
    parts = [rule(x0, y0, x1, y0, line), rule(x0, y0, x0, top, line)]
    for i in range(5):
        x, y = place(x_most * i / 4, 0)[0], place(0, y_most * i / 4)[1]
        parts += [text(x, y0 + 16, f"{x_most * i / 4:.4g}")]
        parts += [text(x0 - 6, y + 4, f"{y_most * i / 4:.3g}", "end")]
    corners = " ".join("{:.1f},{:.1f}".format(*place(*p)) for p in points)
    parts += [
        text(0.5 * (x0 + x1), high - 6, across),
        text(x0 + 6, top - 3, up, "start"),
        rule(x0, y_level, x1, y_level, f"stroke:{mark_colour};stroke-dasharray:6 4"),
        text(x1, y_level - 5, level_name, "end"),
        f'<polyline points="{corners}" fill="none" '
        'style="stroke:var(--sm-curve,#1f4e5f);stroke-width:1.6"/>',
    ]
    if mark is not None:
        x, y = place(*mark)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" style="fill:{mark_colour}"/>')
        anchor = "end" if x > 0.75 * wide else "start"
        parts.append(text(x + (-4 if anchor == "end" else 4), y - 9, mark_name, anchor))
    return drawing(parts, wide, high, f"{up} by {across}")
