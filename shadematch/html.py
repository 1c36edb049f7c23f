"""Cards with which results draw themselves in a notebook. All text is escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

__all__ = ["card"]

_CARD = (
    "font:14px/1.45 system-ui,sans-serif;color:#1b1b1b;background:#fbfaf7;"
    "border:1px solid #b9b4a8;border-radius:6px;padding:12px 14px;display:inline-block;"
    "max-width:46em"
)
_PLAIN = "border:none;background:none;color:inherit"


def _swatch(code: str, label: str, width: str) -> str:
    return (
        '<td style="padding:0 10px 6px 0;text-align:left;background:none;color:inherit">'
        f'<div style="width:{width};height:4em;background:{escape(code)};'
        'border:1px solid #77736a"></div>'
        f"<div>{escape(label)}</div></td>"
    )


def _row(name: str, value: str) -> str:
    cell = "padding:1px 14px 1px 0;text-align:left;background:none;color:inherit"
    return (
        f'<tr style="background:none"><th style="{cell};font-weight:600">{escape(name)}</th>'
        f'<td style="{cell}">{escape(value)}</td></tr>'
    )


def card(
    swatches: Sequence[tuple[str, str]],
    rows: Sequence[tuple[str, str]],
    *,
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
    foot, small
        Sentences below, the second in small print.
    """
    width = "8.5em" if len(swatches) <= 4 else "3.8em"
    parts = [
        f'<div style="{_CARD}"><table style="{_PLAIN}"><tr style="background:none">',
        *(_swatch(code, label, width) for code, label in swatches),
        f'</tr></table><table style="{_PLAIN}">',
        *(_row(name, value) for name, value in rows),
        "</table>",
    ]
    if foot:
        parts.append(f'<div style="margin-top:6px">{escape(foot)}</div>')
    if small:
        style = "margin-top:6px;font-size:11px;color:#5a564e"
        parts.append(f'<div style="{style}">{escape(small)}</div>')
    return "".join([*parts, "</div>"])
