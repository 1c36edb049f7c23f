"""Drawings for cards, as SVG in the colours of the card. All text is escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

__all__ = ["chart", "colour_strip", "side_view"]

_WIDTH: Final = 480.0
_HEIGHT: Final = 64.0
_FRAME: Final = 'fill="none" style="stroke:var(--sm-line,#77736a)"'


def _drawing(shapes: Sequence[str], width: float, height: float, label: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" role="img" aria-label="{escape(label, quote=True)}">'
        f"{''.join(shapes)}</svg>"
    )


def _with_label(drawing: str, label: str) -> str:
    return f'{drawing}<div class="sm-small">{escape(label)}</div>'


def colour_strip(codes: Sequence[str], label: str) -> str:
    """Colours side by side, evenly wide.

    Parameters
    ----------
    codes
        Hex colours, from the left.
    label
        What it shows.
    """
    each = _WIDTH / max(len(codes), 1)
    shapes = [
        # A little wider than its share, so that no light shows between neighbours.
        f'<rect x="{i * each:.2f}" y="0" width="{min(each + 0.6, _WIDTH - i * each):.2f}" '
        f'height="{_HEIGHT:g}" fill="{escape(code, quote=True)}"/>'
        for i, code in enumerate(codes)
    ]
    frame = f'<rect x="0.5" y="0.5" width="{_WIDTH - 1:g}" height="{_HEIGHT - 1:g}" {_FRAME}/>'
    return _with_label(_drawing([*shapes, frame], _WIDTH, _HEIGHT, label), label)


def side_view(
    pieces: Sequence[tuple[Sequence[float], Sequence[float]]], codes: Sequence[str], label: str
) -> str:
    """Layers from the side, standing on a table.

    Parameters
    ----------
    pieces
        For each layer, the top one first: places from 0 to 1 along the bar, rising, and its
        thickness [cm] there. All layers have the same places.
    codes
        A hex colour for each.
    label
        What it shows.
    """
    places = pieces[0][0]
    total = [sum(thick[i] for _, thick in pieces) for i in range(len(places))]
    tall = max([*total, 1e-9])
    height = 96.0
    scale = (height - 6.0) / tall
    below = [0.0] * len(places)
    shapes = []
    for (_, thick), code in zip(reversed(pieces), reversed(codes), strict=True):
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
        below = above
    return _with_label(_drawing(shapes, _WIDTH, height, label), label)


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
        At least one pair of numbers from 0 on, rising in the first.
    across, up
        What the two are, with their unit.
    level, level_name
        A height drawn as a dashed line, and what it is.
    mark, mark_name
        One point to mark, and its label.
    """
    wide, high, left, foot, top = 620.0, 260.0, 52.0, 44.0, 16.0
    x_most = max(max(p[0] for p in points), 1e-9)
    y_most = max(*(p[1] for p in points), 1.6 * level, 1e-9)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            left + (wide - left - 14) * x / x_most,
            high - foot - (high - foot - top) * y / y_most,
        )

    def text(x: float, y: float, words: str, anchor: str = "middle") -> str:
        return (
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="currentColor" '
            f'font-size="12">{escape(words)}</text>'
        )

    def rule(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
        return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" style="{style}"/>'

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
    return _drawing(parts, wide, high, f"{up} by {across}")
