"""Cards with which results draw themselves in a notebook. All text is escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from shadematch.support.cautions import CAUTIONS

__all__ = ["card", "curve", "recipe_card"]

_CARD = (
    "font:14px/1.45 system-ui,sans-serif;color:#1b1b1b;background:#fbfaf7;"
    "border:1px solid #b9b4a8;border-radius:6px;padding:12px 14px;display:inline-block;"
    "max-width:min(46em,100%);box-sizing:border-box;overflow-wrap:anywhere"
)
_PLAIN = "border:none;background:none;color:inherit"


def _swatch(code: str, label: str, width: str) -> str:
    # Side by side as far as there is room, which cells of a table would not be.
    return (
        '<div style="display:inline-block;vertical-align:top;margin:0 10px 6px 0">'
        f'<div style="width:{width};height:4em;background:{escape(code)};'
        'border:1px solid #77736a"></div>'
        f'<div style="max-width:{width}">{escape(label)}</div></div>'
    )


def _row(name: str, value: str) -> str:
    cell = "padding:1px 14px 1px 0;text-align:left;vertical-align:top;background:none;color:inherit"
    return (
        '<tr style="background:none">'
        f'<th style="{cell};font-weight:600;min-width:7em">{escape(name)}</th>'
        f'<td style="{cell}">{escape(value)}</td></tr>'
    )


def card(
    swatches: Sequence[tuple[str, str]],
    rows: Sequence[tuple[str, str]],
    *,
    figure: str = "",
    foot: str = "",
    small: str = "",
) -> str:
    """HTML of a card that brings its own colours, so that light and dark pages can show it.

    Parameters
    ----------
    swatches
        Pairs of a hex colour and a label.
    rows
        Pairs of a name and a value.
    figure
        A drawing from `strips`, put between swatches and rows as it is.
    foot, small
        Sentences below, the second in small print.
    """
    width = "8.5em" if len(swatches) <= 4 else "3.8em"
    parts = [
        f'<div style="{_CARD}"><div>',
        *(_swatch(code, label, width) for code, label in swatches),
        f'</div>{figure}<table style="{_PLAIN}">',
        *(_row(name, value) for name, value in rows),
        "</table>",
    ]
    if foot:
        parts.append(f'<div style="margin-top:6px">{escape(foot)}</div>')
    if small:
        style = "margin-top:6px;font-size:11px;color:#5a564e"
        parts.append(f'<div style="{style}">{escape(small)}</div>')
    return "".join([*parts, "</div>"])


def recipe_card(
    swatches: Sequence[tuple[str, str]],
    rows: Sequence[tuple[str, str]],
    *,
    figure: str = "",
    foot: str = "",
    small: str = "",
) -> str:
    """A `card` of what may be poured: the cautions end its small print."""
    words = " ".join([small, *CAUTIONS] if small else CAUTIONS)
    return card(swatches, rows, figure=figure, foot=foot, small=words)


def curve(
    points: Sequence[tuple[float, float]],
    *,
    across: str,
    up: str,
    level: float,
    level_name: str,
    mark: tuple[float, float] | None = None,
    mark_name: str = "",
) -> str:
    """A small line drawing as SVG, with colours of its own.

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
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#1b1b1b" '
            f'font-size="12">{escape(words)}</text>'
        )

    def rule(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
        return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {style}/>'

    x0, y0 = place(0, 0)
    x1, y_level = place(x_most, level)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" '
        f'width="{wide:g}" role="img" style="background:#fbfaf7;max-width:100%;'
        'font-family:system-ui,sans-serif;display:block">',
        f"<title>{escape(up)} by {escape(across)}</title>",
        rule(x0, y0, x1, y0, 'stroke="#77736a"'),
        rule(x0, y0, x0, top, 'stroke="#77736a"'),
    ]
    for i in range(5):
        x, y = place(x_most * i / 4, 0)[0], place(0, y_most * i / 4)[1]
        parts += [text(x, y0 + 16, f"{x_most * i / 4:.4g}")]
        parts += [text(x0 - 6, y + 4, f"{y_most * i / 4:.3g}", "end")]
    parts += [
        text(0.5 * (x0 + x1), high - 6, across),
        text(x0 + 6, top - 3, up, "start"),
        rule(x0, y_level, x1, y_level, 'stroke="#8a3b12" stroke-dasharray="6 4"'),
        text(x1, y_level - 5, level_name, "end"),
    ]
    line = " ".join("{:.1f},{:.1f}".format(*place(*p)) for p in points)
    parts.append(f'<polyline points="{line}" fill="none" stroke="#1f4e5f" stroke-width="1.6"/>')
    if mark is not None:
        x, y = place(*mark)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="#8a3b12"/>')
        anchor = "end" if x > 0.75 * wide else "start"
        parts.append(text(x + (-4 if anchor == "end" else 4), y - 9, mark_name, anchor))
    return "".join([*parts, "</svg>"])
