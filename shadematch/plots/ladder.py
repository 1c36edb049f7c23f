"""A recipe's shade as a strip."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shadematch.gamuts.ladder import Ladder
from shadematch.support.hatching import mark_key, mark_stretches
from shadematch.support.paper import INK, axes_for, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_ladder"]


def draw_ladder(found: Ladder, ax: Axes | None = None) -> Axes:
    """Draw a ladder: a strip of true colours, with ticks at equal steps of CIEDE2000.

    Thickness runs on a logarithmic scale; the triangle marks the recipe itself.
    """
    ax = axes_for(ax, (6.4, 2.3))
    from matplotlib.colors import to_rgb
    from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

    scale = 100.0 if found.along == "white" else 1.0
    values = found.values * scale
    edges = np.concatenate([values[:1], 0.5 * (values[1:] + values[:-1]), values[-1:]])
    rgb = np.array([[to_rgb(code) for code in found.hexes]])
    ax.pcolormesh(edges, [0.0, 1.0], rgb, rasterized=True)
    if found.along == "thickness" and values[0] > 0:
        ax.set_xscale("log")
        ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        ax.xaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
        ax.xaxis.set_minor_formatter(NullFormatter())
    mark_stretches(ax, edges.tolist(), found.in_srgb, bottom=0.0, height=0.12)
    marks = found.marks * scale
    for color, lw in (("#ffffff", 2.2), ("#000000", 1.0)):
        ax.vlines(marks, 0.78, 1.0, color=color, lw=lw)
    if values[0] <= found.here * scale <= values[-1]:
        ax.plot([found.here * scale], [1.13], marker="v", ms=8, color=INK, ls="none", clip_on=False)
    ax.set_xlim(values[0], values[-1])
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.set_xlabel(found.label)
    title(
        ax,
        f"{found.recipe}: a tick every CIEDE2000 {found.every:g}, {found.path[-1]:.0f} in all",
        alt=f"A strip of the colours of {found.recipe} from {found.hexes[0]} to "
        f"{found.hexes[-1]}, over {found.label}",
        pad=19,
    )
    mark_key(ax)
    return ax
