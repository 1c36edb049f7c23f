"""How results draw themselves in a notebook. Everything that comes from data is escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shadematch.match import Match
    from shadematch.prediction import Prediction

__all__ = ["match_card", "prediction_card"]

_CARD = (
    "font:14px/1.45 system-ui,sans-serif;color:#1b1b1b;background:#fbfaf7;"
    "border:1px solid #b9b4a8;border-radius:6px;padding:12px 14px;display:inline-block;"
    "max-width:46em"
)


def _swatch(code: str, label: str) -> str:
    return (
        '<td style="padding:0 10px 6px 0;text-align:left;background:none;color:inherit">'
        f'<div style="width:8.5em;height:4em;background:{escape(code)};'
        'border:1px solid #77736a"></div>'
        f"<div>{escape(label)}</div></td>"
    )


def _rows(pairs: list[tuple[str, str]]) -> str:
    cell = "padding:1px 14px 1px 0;text-align:left;background:none;color:inherit"
    return "".join(
        f'<tr style="background:none"><th style="{cell};font-weight:600">{escape(k)}</th>'
        f'<td style="{cell}">{escape(v)}</td></tr>'
        for k, v in pairs
    )


def _card(swatches: str, rows: str, foot: str = "") -> str:
    return (
        f'<div style="{_CARD}"><table style="border:none;background:none;color:inherit">'
        f'<tr style="background:none">{swatches}</tr></table>'
        f'<table style="border:none;background:none;color:inherit">{rows}</table>{foot}</div>'
    )


def _lab(lab: tuple[float, float, float]) -> str:
    return ", ".join(f"{v:.1f}" for v in lab)


def prediction_card(prediction: Prediction) -> str:
    """Swatch, doses and colour of a prediction."""
    note = "" if prediction.in_srgb else " (outside sRGB, nearest shown)"
    rows = [
        ("recipe", str(prediction.recipe)),
        ("pour", str(prediction.recipe.pour)),
        ("seen", str(prediction.view)),
        ("Lab", _lab(prediction.lab)),
        ("sRGB", prediction.hex + note),
    ]
    return _card(_swatch(prediction.hex, "predicted"), _rows(rows))


def match_card(match: Match) -> str:
    """Swatches of target and prediction, doses, proof and verdict."""
    swatches = _swatch(match.target.hex, "wanted") + _swatch(match.predicted.hex, "predicted")
    rows = [(name, f"{dose:g} cm") for name, dose in match.recipe.doses_cm.items()]
    rows += [
        ("in all", f"{match.recipe.total_cm:g} cm, {match.recipe.load:.2f} cm per 100 g"),
        ("into", str(match.pour)),
        ("CIEDE2000", f"{match.delta_e:.2f}"),
        (
            "proof",
            f"nothing permitted comes closer than {match.bound:.2f}"
            + ("" if match.proved else " (the search stopped early)"),
        ),
    ]
    foot = f'<div style="margin-top:6px">{escape(str(match.verdict))}</div>'
    return _card(swatches, _rows(rows), foot)
