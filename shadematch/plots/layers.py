"""Layers and wedges: a strip in true colours above, the bar from the side below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from shadematch.plots.paper import INK, QUIET, axes_for, ink_on, plain
from shadematch.predicting.layers import Layered
from shadematch.predicting.wedge import CLEAR, Wedge
from shadematch.support.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_layers", "draw_wedge"]

_GAP: Final = 0.16
_STRIP: Final = 0.5
"""Height of the strip and the gap below it, as shares of the bar's height."""


def draw_wedge(wedge: Wedge, ax: Axes | None = None) -> Axes:
    """Draw a wedge: the shade along it as it is seen from above, and the bar from the side.

    Parameters
    ----------
    wedge
        What `shadematch.wedge` gave.
    ax
        Where to draw; by default a new figure.

    Returns
    -------
    Axes
        With the drawing; heights are in cm.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    ax = axes_for(ax, (7.0, 3.6))
    coloured, clear = np.array(wedge.coloured_cm), np.array(wedge.clear_cm)
    thickest = wedge.hexes[int(np.argmax(coloured))]
    height = float((coloured + clear).max())
    places = np.linspace(0.0, 1.0, coloured.size)
    _side(ax, places, [clear, coloured], [CLEAR, thickest])
    _strip(ax, wedge.hexes, height)
    for place, x, rest in ((0.0, coloured[0], clear[0]), (1.0, coloured[-1], clear[-1])):
        ax.annotate(
            f"{x:g} cm",
            (place, x),
            # Clear of the slope, or above the bar where no clear base lies on it.
            (9 if place == 0 else -9, 18 if rest > 0 else 2),
            textcoords="offset points",
            ha="left" if place == 0 else "right",
            va="bottom",
            color=INK,
        )
    _finish(ax, height, wedge.label, f"seen {wedge.view}")
    return ax


def draw_layers(layers: Layered, ax: Axes | None = None) -> Axes:
    """Draw a stack: its colour as it is poured, layer by layer, and the bar from the side.

    Parameters
    ----------
    layers
        What `shadematch.layers` gave.
    ax
        Where to draw; by default a new figure.

    Returns
    -------
    Axes
        With the drawing; heights are in cm.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    ax = axes_for(ax, (7.0, 3.6))
    places = np.array([0.0, 1.0])
    thick = [np.full(2, t) for t in layers.thicknesses_cm]
    _side(ax, places, thick, [shade.hex for shade in layers.alone])
    height = layers.height_cm
    top = height
    for t, label, shade in zip(layers.thicknesses_cm, layers.labels, layers.alone, strict=True):
        if t > 0.06 * height:
            ax.text(
                0.5,
                top - t / 2,
                plain(f"{t:g} cm: {label}"),
                ha="center",
                va="center",
                color=ink_on(shade.hex),
                fontsize=9,
            )
        top -= t
    codes = [shade.hex for shade in layers.poured]
    _strip(ax, codes, height)
    for i, code in enumerate(codes if len(codes) > 1 else ()):
        word = (
            "the bottom layer"
            if i == 0
            else "the whole"
            if i == len(codes) - 1
            else f"{i + 1} layers"
        )
        ax.text(
            (i + 0.5) / len(codes),
            height * (1 + _GAP + _STRIP / 2),
            word,
            ha="center",
            va="center",
            color=ink_on(code),
            fontsize=9,
        )
    _finish(
        ax,
        height,
        "as it is poured, layer by layer; below from the side, each in its own colour",
        f"seen {layers.view}",
    )
    return ax


def _strip(ax: Axes, codes: Sequence[str], height: float) -> None:
    """Colours side by side above the bar."""
    bottom, tall = height * (1 + _GAP), height * _STRIP
    each = 1.0 / len(codes)
    for i, code in enumerate(codes):
        ax.bar(i * each, tall, each, bottom, align="edge", color=code, linewidth=0)
    ax.plot([0, 1, 1, 0, 0], np.array([0, 0, 1, 1, 0]) * tall + bottom, color=INK, lw=0.8)


def _side(ax: Axes, places: FloatArray, thick: Sequence[FloatArray], codes: Sequence[str]) -> None:
    """Layers from the side, the top one first."""
    below = np.zeros(places.size)
    for t, code in zip(reversed(thick), reversed(codes), strict=True):
        ax.fill_between(places, below, below + t, color=code, linewidth=0)
        below = below + t
        ax.plot(places, below, color=QUIET, lw=0.8)
    ax.plot([0, 0], [0, below[0]], color=INK, lw=0.8)
    ax.plot([1, 1], [0, below[-1]], color=INK, lw=0.8)
    ax.axhline(0.0, color=INK, lw=1.6)  # the table


def _finish(ax: Axes, height: float, title: str, foot: str) -> None:
    ax.set_xlim(-0.01, 1.01)
    ax.set_ylim(0.0, height * (1 + _GAP + _STRIP) * 1.02)
    ax.set_xticks([])
    ax.set_yticks([t for t in ax.get_yticks() if 0 <= t <= height * 1.001])
    ax.set_ylabel("height [cm]")
    ax.yaxis.set_label_coords(-0.06, 0.5 / (1 + _GAP + _STRIP))
    ax.set_xlabel(plain(foot))
    ax.spines[["left", "top", "right", "bottom"]].set_visible(False)
    ax.set_title(plain(title), fontsize=10, color=INK, loc="left")
