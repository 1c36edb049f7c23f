"""Layers and wedges: a strip of true colours above, the bar from the side below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from shadematch.colour.colorimetry import ink_on
from shadematch.predicting.layers import Layered
from shadematch.predicting.wedge import CLEAR_HEX, Wedge
from shadematch.support.arrays import FloatArray
from shadematch.support.hatching import mark_corner, mark_key, mark_stretches
from shadematch.support.paper import INK, QUIET, axes_for, literal, paint, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_layers", "draw_wedge"]

_GAP: Final = 0.16
_STRIP: Final = 0.5
"""Height of the strip, and of the gap below it, as shares of the bar's height."""


def draw_wedge(wedge: Wedge, ax: Axes | None = None) -> Axes:
    """Draw a wedge: the shade along it seen from above, and the bar from the side, in cm."""
    ax = axes_for(ax, (6.4, 3.9))
    coloured, clear = np.array(wedge.coloured_cm), np.array(wedge.clear_cm)
    thickest = wedge.shades[int(np.argmax(coloured))]
    height = float((coloured + clear).max())
    places = np.linspace(0.0, 1.0, coloured.size)
    shown = [True, thickest.in_srgb]
    _side(ax, places, [clear, coloured], [CLEAR_HEX, thickest.hex], shown)
    _strip(ax, *wedge.smooth, height)
    for place, x, rest in ((0.0, coloured[0], clear[0]), (1.0, coloured[-1], clear[-1])):
        ax.annotate(
            f"{x:g} cm",
            (place, x),
            # Off the slope, or above the bar where no clear base lies on it.
            (9 if place == 0 else -9, 18 if rest > 0 else 2),
            textcoords="offset points",
            ha="left" if place == 0 else "right",
            va="bottom",
            color=ink_on(CLEAR_HEX) if rest > 0 else INK,
        )
    _finish(
        ax,
        height,
        f"{wedge.label}: from above, and from the side",
        f"seen {wedge.view}",
        f"{wedge.label}, from {wedge.hexes[0]} to {wedge.hexes[-1]} as the layer gets thicker; "
        "below, the sloped bar from the side",
    )
    return ax


def draw_layers(layers: Layered, ax: Axes | None = None) -> Axes:
    """Draw a stack: its colour after each pour, and the bar from the side, in cm."""
    ax = axes_for(ax, (6.4, 3.9))
    places = np.array([0.0, 1.0])
    thick = [np.full(2, t) for t in layers.thicknesses_cm]
    own = layers.alone
    _side(ax, places, thick, [shade.hex for shade in own], [shade.in_srgb for shade in own])
    height = layers.height_cm
    top = height
    for t, label, shade in zip(layers.thicknesses_cm, layers.labels, layers.alone, strict=True):
        if t > 0.06 * height:
            ax.text(
                0.5,
                top - t / 2,
                literal(f"{t:g} cm: {label}"),
                ha="center",
                va="center",
                color=ink_on(shade.hex),
            )
        top -= t
    codes = [shade.hex for shade in layers.poured]
    _strip(ax, codes, [shade.in_srgb for shade in layers.poured], height, parted=True)
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
            f"{word}\n{code}",
            ha="center",
            va="center",
            color=ink_on(code),
        )
    _finish(
        ax,
        height,
        "as it is poured, layer by layer; below from the side, each in its own colour",
        f"seen {layers.view}",
        f"Above the colours {', '.join(codes)}, as the layers are poured; below the bar from the "
        f"side, from the top: {'; '.join(layers.labels)}",
    )
    return ax


def _strip(
    ax: Axes,
    codes: Sequence[str],
    in_srgb: Sequence[bool],
    height: float,
    *,
    parted: bool = False,
) -> None:
    """Colours side by side above the bar, separated if they are steps."""
    bottom, tall = height * (1 + _GAP), height * _STRIP
    from matplotlib.colors import to_rgb

    edges = np.linspace(0.0, 1.0, len(codes) + 1)
    rgb = np.array([[to_rgb(code) for code in codes]])
    ax.pcolormesh(edges, [bottom, bottom + tall], rgb, rasterized=True)
    if parted:
        ax.vlines(edges[1:-1], bottom, bottom + tall, color="#ffffff", lw=2.6)
        ax.vlines(edges[1:-1], bottom, bottom + tall, color="#000000", lw=0.9)
    mark_stretches(ax, edges.tolist(), in_srgb, bottom=bottom, height=0.12 * tall)
    ax.plot([0, 1, 1, 0, 0], np.array([0, 0, 1, 1, 0]) * tall + bottom, color=INK, lw=0.8)


def _side(
    ax: Axes,
    places: FloatArray,
    thick: Sequence[FloatArray],
    codes: Sequence[str],
    in_srgb: Sequence[bool],
) -> None:
    """Layers from the side, the top one first."""
    below = np.zeros(places.size)
    for t, code, true in zip(reversed(thick), reversed(codes), reversed(in_srgb), strict=True):
        ax.fill_between(places, below, below + t, color=paint(code), linewidth=0)
        if not true:
            # At the thicker end, where there is room for it.
            end = -1 if t[-1] >= t[0] else 0
            mark_corner(ax, places[end] if end else 0.04, below[end])
        below = below + t
        ax.plot(places, below, color=QUIET, lw=0.8)
    ax.plot([0, 0], [0, below[0]], color=INK, lw=0.8)
    ax.plot([1, 1], [0, below[-1]], color=INK, lw=0.8)
    ax.axhline(0.0, color=INK, lw=1.6)  # the table


def _finish(ax: Axes, height: float, heading: str, foot: str, alt: str) -> None:
    ax.set_xlim(-0.01, 1.01)
    ax.set_ylim(0.0, height * (1 + _GAP + _STRIP) * 1.02)
    ax.set_xticks([])
    ax.set_yticks([t for t in ax.get_yticks() if 0 <= t <= height * 1.001])
    ax.set_ylabel("height [cm]")
    ax.yaxis.set_label_coords(-0.075, 0.5 / (1 + _GAP + _STRIP))
    ax.set_xlabel(literal(foot))
    ax.spines[["left", "top", "right", "bottom"]].set_visible(False)
    title(ax, heading, alt=alt)
    mark_key(ax, below_pt=20)
