"""Strips of colour and side views as SVG, for the cards of notebooks. All text is escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

__all__ = ["side_view", "strip"]

_WIDTH: Final = 480.0
_HEIGHT: Final = 64.0
_INK: Final = "#77736a"


def _drawing(shapes: Sequence[str], height: float, label: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" '
        f'style="display:block;width:100%;max-width:{_WIDTH:g}px;margin:4px 0 0" '
        f'role="img" aria-label="{escape(label, quote=True)}">{"".join(shapes)}</svg>'
        f'<div style="margin-bottom:6px;font-size:12px">{escape(label)}</div>'
    )


def strip(codes: Sequence[str], label: str) -> str:
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
    frame = (
        f'<rect x="0.5" y="0.5" width="{_WIDTH - 1:g}" height="{_HEIGHT - 1:g}" fill="none" '
        f'stroke="{_INK}"/>'
    )
    return _drawing([*shapes, frame], _HEIGHT, label)


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
            f'stroke="{_INK}" stroke-width="0.8"/>'
        )
        below = above
    return _drawing(shapes, height, label)
