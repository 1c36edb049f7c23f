"""Slices of a gamut, and what whole dose steps leave of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_margin, xyz_to_srgb
from shadematch.errors import PourError
from shadematch.gamuts.slices import Slice, WholeMap
from shadematch.support.arrays import FloatArray
from shadematch.support.hatching import HATCH, mark_key, mark_surface
from shadematch.support.paper import INK, LINES, QUIET, axes_for, colour_bar, inset, literal, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_outlines", "draw_slice", "draw_whole"]

_BOUNDS = (0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0)
_EDGE = 0.5  # CIEDE2000; contours run between grid points, and inside all is 0


def _screen(cut: Slice) -> tuple[FloatArray, FloatArray]:
    """Screen colours of the grid, shape (y, x, 3), and how far each lies inside sRGB."""
    white = cut.view.observation.white
    xyz = lab_to_xyz(cut.lab, white)
    return xyz_to_srgb(xyz, white)[0], srgb_margin(xyz, white)


def _frame(ax: Axes, cut: Slice) -> None:
    across, up = cut.plane.labels
    ax.set_xlabel(f"{across} [CIELAB]")
    ax.set_ylabel(f"{up} [CIELAB]")
    ax.axvline(0.0, color=QUIET, lw=0.6, zorder=0)
    if cut.plane.hue is None:
        ax.axhline(0.0, color=QUIET, lw=0.6, zorder=0)
    ax.set_aspect("equal")


def draw_slice(cut: Slice, ax: Axes | None = None) -> Axes:
    """Draw a slice: true colours where they can be made, and contours of CIEDE2000 around.

    Colours outside sRGB are drawn as the nearest inside, hatched and edged by a line.
    """
    ax = axes_for(ax, (6.4, 5.6))
    from matplotlib.lines import Line2D

    rgb, within = _screen(cut)
    half = 0.5 * cut.plane.step
    extent = (
        *(cut.across[0] - half, cut.across[-1] + half),
        *(cut.up[0] - half, cut.up[-1] + half),
    )
    image = ax.imshow(
        rgb, origin="lower", extent=extent, interpolation="bilinear", aspect="equal", zorder=1
    )
    grid = cut.across, cut.up
    outside = False
    if cut.distances.min() < _EDGE:
        inner = ax.contourf(*grid, cut.distances, levels=[-1.0, _EDGE], alpha=0.0)
        image.set_clip_path(inner.get_paths()[0], ax.transData)
        if within[cut.inside].min(initial=1.0) < 0.0:
            # One surface hatched twice, so that the lines are seen on light and dark colours.
            lines = ax.contourf(*grid, within, levels=[-99.0, 0.0], colors="none", hatches=[HATCH])
            lines.set_edgecolor("#000000b0")
            lines.set_linewidth(0.0)
            lines.set_zorder(2)
            lines.set_clip_path(inner.get_paths()[0], ax.transData)
            edge = ax.contour(*grid, within, levels=[0.0], colors="#000000", linewidths=1.0)
            edge.set_zorder(2)
            edge.set_clip_path(inner.get_paths()[0], ax.transData)
            outside = True
    else:
        image.set_visible(False)
    keys = []
    levels = [(_EDGE, "edge of what can be made", 1.8)]
    levels += [(v, f"CIEDE2000 {v:g} away", 1.1) for v in (2.0, 5.0)]
    for (level, label, width), style in zip(levels, LINES, strict=False):
        if cut.distances.min() < level < cut.distances.max():
            ax.contour(
                *grid,
                cut.distances,
                levels=[level],
                colors=INK,
                linewidths=width,
                linestyles=[style],
                zorder=3,
            )
            keys.append(Line2D([], [], color=INK, lw=width, ls=style, label=label))
    if outside:
        mark_surface(ax)
    _frame(ax, cut)
    if keys:
        mark_key(ax, keys, below_pt=40.0)
    title(
        ax,
        f"What can be made, {cut.plane}",
        alt=f"The colours that can be made at {cut.plane}, over {' and '.join(cut.plane.labels)}, "
        "with lines of CIEDE2000 around them",
    )
    return ax


def draw_outlines(cuts: Sequence[Slice], labels: Sequence[str], ax: Axes | None = None) -> Axes:
    """Draw the edges of several slices at one lightness or hue, each with its line style."""
    ax = axes_for(ax, (6.4, 5.6))
    from matplotlib.lines import Line2D

    keys = []
    for index, (cut, label) in enumerate(zip(cuts, labels, strict=True)):
        style = LINES[index % len(LINES)]
        width = 1.8 - 0.3 * (index % len(LINES))
        if cut.distances.min() < _EDGE < cut.distances.max():
            ax.contour(
                cut.across,
                cut.up,
                cut.distances,
                levels=[_EDGE],
                colors=INK,
                linewidths=width,
                linestyles=[style],
            )
        keys.append(Line2D([], [], color=INK, lw=width, ls=style, label=literal(label)))
    if cuts:
        _frame(ax, cuts[0])
        title(
            ax,
            f"Edges of what can be made, {cuts[0].plane}",
            alt=f"The edges of what can be made at {cuts[0].plane}, one line each for "
            + ", ".join(labels),
        )
    if keys:
        mark_key(ax, keys, below_pt=40.0)
    return ax


def draw_whole(maps: Sequence[WholeMap], ax: Axes | None = None) -> Axes:
    """Draw how far the nearest recipe of whole dose steps is over a slice, one panel per batch.

    Raises
    ------
    PourError
        If there is no map.
    """
    maps = list(maps)
    if not maps:
        raise PourError("there is no map", field="maps", value=0, remedy="Use Gamut.whole")
    ax = axes_for(ax, (6.4, 3.3))
    from matplotlib import colormaps
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import BoundaryNorm

    palette = colormaps["cividis_r"]
    norm = BoundaryNorm(_BOUNDS, palette.N, extend="max")
    ax.axis("off")
    wide = 1.0 / len(maps)
    for i, found in enumerate(maps):
        panel = inset(ax, (i * wide, 0.0, 0.92 * wide, 0.86))
        _draw_map(panel, found, palette, norm, first=i == 0)
    colour_bar(ax, ScalarMappable(norm, palette), "CIEDE2000 to the nearest whole recipe")
    cut = maps[0].slice
    title(
        ax,
        f"What whole dose steps leave, {cut.plane}",
        alt=f"Maps of {' over '.join(reversed(cut.plane.labels))}: CIEDE2000 to the nearest whole "
        + "recipe. "
        + ", ".join(f"{m.pour.batch_g:g} g: {m.share(1.0):.0%} within 1" for m in maps),
        pad=10,
    )
    return ax


def _draw_map(panel: Axes, found: WholeMap, palette: Any, norm: Any, *, first: bool) -> None:
    cut = found.slice
    half = 0.5 * cut.plane.step
    # As wide as what can be made, and a little more.
    rows, columns = (
        slice(max(int(at.min()) - 1, 0), int(at.max()) + 2) if at.size else slice(None)
        for at in (found.rows, found.columns)
    )
    values = np.full(cut.distances.shape, np.nan)
    values[found.rows, found.columns] = found.distances
    across, up = cut.across[columns], cut.up[rows]
    panel.imshow(
        np.ma.masked_invalid(values[rows, columns]),
        origin="lower",
        extent=(across[0] - half, across[-1] + half, up[0] - half, up[-1] + half),
        cmap=palette,
        norm=norm,
        interpolation="nearest",
        aspect="equal",
    )
    panel.set_title(
        f"{found.pour.batch_g:g} g:\n{found.share(1.0):.0%} within 1",
        fontsize=10,
        loc="left",
        color=INK,
    )
    panel.set_facecolor("none")
    panel.locator_params(nbins=3)
    panel.tick_params(labelsize=9)
    panel.axvline(0.0, color=QUIET, lw=0.6, zorder=0)
    if cut.plane.hue is None:
        panel.axhline(0.0, color=QUIET, lw=0.6, zorder=0)
    words = ("a*", "b*") if cut.plane.hue is None else ("C*", "L*")
    panel.set_xlabel(f"{words[0]} [CIELAB]", labelpad=0)
    if first:
        panel.set_ylabel(f"{words[1]} [CIELAB]", labelpad=0)
    else:
        panel.set_yticklabels([])
