"""Charts for cards, as SVG in the card's colours: bars, maps and curves. Text is escaped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from shadematch.support.mark import corner
from shadematch.support.svg import drawing, rule, text

__all__ = ["Curve", "Tile", "bars", "chips", "curves", "tiles"]

_WIDTH: Final = 480.0
_LINE: Final = "stroke:var(--sm-line,#77736a)"
_CURVE: Final = "var(--sm-curve,#1f4e5f)"
_DASHES: Final = ("", "7 3", "2 3", "9 3 2 3", "12 3", "4 2 1 2", "1 2", "8 2 2 2 2 2")


@dataclass(frozen=True)
class Tile:
    """One cell of a map: its colour, whether sRGB shows it, words on it, and a frame."""

    hex: str
    in_srgb: bool = True
    words: str = ""
    ink: str = "#000000"
    framed: bool = False


@dataclass(frozen=True)
class Curve:
    """Heights at places, and their range if known."""

    label: str
    heights: Sequence[float]
    low: Sequence[float] = ()
    high: Sequence[float] = ()


def bars(lengths: Sequence[tuple[str, float, str]], label: str) -> str:
    """Horizontal bars below each other: name, length from 0 on, and text at the end of each."""
    most = max([length for _, length, _ in lengths] + [1e-12])
    left, step, room = 118.0, 24.0, 120.0
    parts = []
    for i, (name, length, words) in enumerate(lengths):
        y, wide = i * step, (_WIDTH - left - room) * length / most
        parts.append(text(left - 8, y + 15, _short(name, 16), "end"))
        parts.append(
            f'<rect x="{left:g}" y="{y + 4:g}" width="{max(wide, 0.5):.1f}" height="15" '
            f'style="fill:{_CURVE};{_LINE}"/>'
        )
        parts.append(text(left + wide + 7, y + 15, words, "start"))
    return drawing(parts, _WIDTH, max(step * len(lengths), 1.0), label)


def tiles(
    rows: Sequence[Sequence[Tile]],
    *,
    across: Sequence[str],
    up: Sequence[str],
    across_name: str,
    up_name: str,
    label: str,
) -> str:
    """A map of colours, the first row at the foot.

    `across` and `up` label columns and rows; `across_name` and `up_name` say what they are, with
    their unit.
    """
    left, top, foot = 58.0, 18.0, 38.0
    each, high = (_WIDTH - left) / max(len(across), 1), 34.0
    parts, marks = [], []
    for i, row in enumerate(rows):
        y = top + (len(rows) - 1 - i) * high
        parts.append(text(left - 8, y + 0.5 * high + 4, up[i], "end"))
        for j, tile in enumerate(row):
            x = left + j * each
            fill, ink = escape(tile.hex, quote=True), escape(tile.ink, quote=True)
            parts.append(
                f'<rect x="{x:.2f}" y="{y:.2f}" width="{each:.2f}" height="{high:g}" '
                f'fill="{fill}" stroke="#fff"/>'
            )
            if tile.framed:
                marks.append(
                    f'<rect x="{x + 2.5:.2f}" y="{y + 2.5:.2f}" width="{each - 5:.2f}" '
                    f'height="{high - 5:g}" fill="none" stroke="{ink}" stroke-width="2.2"/>'
                )
            if not tile.in_srgb:
                marks.append(corner(x + each - 0.5, y + high - 0.5, 11.0))
            marks.append(
                f'<text x="{x + 0.5 * each:.1f}" y="{y + 0.5 * high + 4.5:.1f}" '
                f'text-anchor="middle" font-size="13" fill="{ink}">{escape(tile.words)}</text>'
            )
    bottom = top + len(rows) * high
    parts += [text(left + (j + 0.5) * each, bottom + 15, words) for j, words in enumerate(across)]
    parts += [
        text(left + 0.5 * (_WIDTH - left), bottom + 32, across_name),
        text(0, 12, up_name, "start"),
    ]
    return drawing([*parts, *marks], _WIDTH, bottom + foot, label)


def curves(
    places: Sequence[float],
    drawn: Sequence[Curve],
    *,
    across_name: str,
    up_name: str,
    most: float | None = None,
) -> str:
    """Curves over the same two or more rising places, told apart by dashes; ranges are shaded.

    Heights are from 0 on. `across_name` and `up_name` say what the two are, with their unit.
    The drawing ends at `most` at the latest, and cuts off ranges that go on.
    """
    left, top, foot, high = 46.0, 18.0, 38.0, 200.0
    below = high - foot
    highest = max([v for c in drawn for v in (*c.heights, *c.high)] + [1e-12])
    most = highest if most is None else max(min(most, highest), 1e-12)
    first, last = places[0], places[-1]

    wide, tall = (_WIDTH - left - 6) / (last - first), (below - top) / most

    def at(x: float, y: float) -> str:
        return f"{left + wide * (x - first):.1f},{below - tall * min(max(y, 0.0), most):.1f}"

    parts = [rule(left, below, _WIDTH - 6, below, _LINE), rule(left, below, left, top, _LINE)]
    parts += [
        text(left + wide * (x - first), below + 15, f"{x:g}") for x in _round_numbers(first, last)
    ]
    parts += [
        text(left - 5, below - tall * y + 4, f"{y:g}", "end") for y in _round_numbers(0.0, most)
    ]
    rows = -(-len(drawn) // 4)
    for i, curve in enumerate(drawn):
        style = f"stroke:{_CURVE};stroke-width:2;stroke-dasharray:{_DASHES[i % len(_DASHES)]}"
        if curve.low and curve.high:
            ends = [at(x, y) for x, y in zip(places, curve.high, strict=True)]
            ends += [at(x, y) for x, y in zip(reversed(places), reversed(curve.low), strict=True)]
            parts.append(f'<polygon points="{" ".join(ends)}" style="fill:{_CURVE};opacity:.25"/>')
        line = " ".join(at(x, y) for x, y in zip(places, curve.heights, strict=True))
        parts.append(f'<polyline points="{line}" fill="none" style="{style}"/>')
        x, y = left + 104 * (i % 4), high + 16 + 18 * (i // 4)
        parts.append(rule(x, y - 4, x + 22, y - 4, style))
        parts.append(text(x + 27, y, _short(curve.label, 11), "start"))
    parts += [
        text(left + 0.5 * (_WIDTH - left), below + 31, across_name),
        text(0, 12, up_name, "start"),
    ]
    return drawing(parts, _WIDTH, high + 18.0 * rows + 6.0, f"{up_name} by {across_name}")


def chips(rows: Sequence[tuple[str, Sequence[Tile]]], heads: Sequence[str], label: str) -> str:
    """Rows of colour chips with their names, below the heads of their columns."""
    left, top, high, gap = 118.0, 20.0, 30.0, 6.0
    each = min((_WIDTH - left) / max(len(heads), 1), 120.0)
    parts = [text(left + i * each, 12, head, "start") for i, head in enumerate(heads)]
    for i, (name, cells) in enumerate(rows):
        y = top + i * (high + gap)
        parts.append(text(left - 8, y + 0.5 * high + 4, _short(name, 16), "end"))
        for j, tile in enumerate(cells):
            x, wide = left + j * each, each - gap
            parts.append(
                f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:g}" '
                f'fill="{escape(tile.hex, quote=True)}" style="{_LINE}"/>'
            )
            if not tile.in_srgb:
                parts.append(corner(x + wide, y + high, 12.0))
    return drawing(parts, _WIDTH, top + len(rows) * (high + gap), label)


def _round_numbers(first: float, last: float) -> list[float]:
    """Three to seven round numbers between two, rising."""
    power = 10.0 ** math.floor(math.log10(last - first))
    step = next(
        digit * power
        for digit in (0.2, 0.5, 1.0, 2.0, 5.0)
        if (last - first) / (digit * power) <= 6
    )
    count = range(math.ceil(first / step - 1e-9), math.floor(last / step + 1e-9) + 1)
    return [round(i * step, 12) for i in count]


def _short(words: str, most: int) -> str:
    """At most so many characters; the rows below have them all."""
    return words if len(words) <= most else f"{words[: most - 1]}…"
