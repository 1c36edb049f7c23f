"""Slices of a gamut, and what whole dose steps leave of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_srgb
from shadematch.gamuts.slices import Slice, WholeMap
from shadematch.plots.paper import INK, LINES, QUIET, axes_for, plain
from shadematch.support.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

__all__ = ["draw_outlines", "draw_slice", "draw_whole"]

_BOUNDS = (0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0)
_EDGE = 0.5  # CIEDE2000; contours run between grid points, and inside is flat zero


def _screen(cut: Slice) -> tuple[FloatArray, FloatArray]:
    """Screen colours of the grid, shape (y, x, 3), and where they are true."""
    white = cut.view.observation.white
    rgb, inside = xyz_to_srgb(lab_to_xyz(cut.lab, white), white)
    return rgb, np.asarray(inside, dtype=float)


def _frame(ax: Axes, cut: Slice) -> None:
    across, up = cut.plane.labels
    ax.set_xlabel(f"{across} [CIELAB]")
    ax.set_ylabel(f"{up} [CIELAB]")
    ax.axvline(0.0, color=QUIET, lw=0.6, zorder=0)
    if cut.plane.hue is None:
        ax.axhline(0.0, color=QUIET, lw=0.6, zorder=0)
    ax.set_aspect("equal")


def _key(ax: Axes, handles: list[Line2D]) -> None:
    ax.legend(
        handles=handles, fontsize=8, loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False
    )


def draw_slice(cut: Slice, ax: Axes | None = None, *, limits: Sequence[float] = (2.0, 5.0)) -> Axes:
    """Draw a slice: true colours where they can be made, and lines of CIEDE2000 around.

    Parameters
    ----------
    cut
        From `Gamut.slice`.
    ax
        Where to draw; by default a new figure.
    limits
        CIEDE2000 to the gamut at which further lines are drawn, rising.

    Returns
    -------
    Axes
        With the drawing. Colours that a screen can't show are drawn as the nearest it can, and
        the edge of what it can is dotted.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    ax = axes_for(ax, (7.0, 4.8))
    from matplotlib.lines import Line2D

    rgb, true = _screen(cut)
    half = 0.5 * cut.plane.step
    extent = (
        *(cut.across[0] - half, cut.across[-1] + half),
        *(cut.up[0] - half, cut.up[-1] + half),
    )
    image = ax.imshow(
        rgb, origin="lower", extent=extent, interpolation="bilinear", aspect="equal", zorder=1
    )
    if cut.distances.min() < _EDGE:
        inner = ax.contourf(cut.across, cut.up, cut.distances, levels=[-1.0, _EDGE], alpha=0.0)
        image.set_clip_path(inner.get_paths()[0], ax.transData)
    else:
        image.set_visible(False)
    keys = []
    levels = [(_EDGE, "edge of what can be made", 1.6)]
    levels += [(v, f"CIEDE2000 {v:g} away", 1.0) for v in limits]
    for (level, label, width), style in zip(levels, LINES * 9, strict=False):
        if cut.distances.min() < level < cut.distances.max():
            ax.contour(
                cut.across,
                cut.up,
                cut.distances,
                levels=[level],
                colors=INK,
                linewidths=width,
                linestyles=[style],
                zorder=3,
            )
            keys.append(Line2D([], [], color=INK, lw=width, ls=style, label=label))
    shown = np.where(cut.inside, true, np.nan)
    if np.nanmin(shown, initial=1.0) == 0.0 and np.nanmax(shown, initial=0.0) == 1.0:
        ax.contour(
            cut.across,
            cut.up,
            true,
            levels=[0.5],
            colors="white",
            linewidths=1.2,
            linestyles="dotted",
            zorder=2,
        )
        keys.append(Line2D([], [], color=QUIET, lw=1.2, ls="dotted", label="edge of sRGB"))
    _frame(ax, cut)
    if keys:
        _key(ax, keys)
    ax.set_title(f"What can be made, {cut.plane}", fontsize=10, color=INK, loc="left")
    return ax


def draw_outlines(cuts: Sequence[Slice], labels: Sequence[str], ax: Axes | None = None) -> Axes:
    """Draw the edges of several slices at one lightness or hue over each other.

    Parameters
    ----------
    cuts, labels
        Slices, and what each is called; lines are told apart by their style.
    ax
        Where to draw; by default a new figure.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    ax = axes_for(ax, (7.0, 4.8))
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
        keys.append(Line2D([], [], color=INK, lw=width, ls=style, label=plain(label)))
    if cuts:
        _frame(ax, cuts[0])
        ax.set_title(
            f"Edges of what can be made, {cuts[0].plane}", fontsize=10, color=INK, loc="left"
        )
    _key(ax, keys)
    return ax


def draw_whole(found: WholeMap, ax: Axes | None = None) -> Axes:
    """Draw how far the nearest recipe of whole dose steps is, over a slice.

    Parameters
    ----------
    found
        One of those from `Gamut.whole`.
    ax
        Where to draw; by default a new figure.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    ax = axes_for(ax, (5.6, 4.6))
    from matplotlib import colormaps
    from matplotlib.colors import BoundaryNorm

    palette = colormaps["cividis_r"]
    cut = found.slice
    values = np.full(cut.distances.shape, np.nan)
    values[found.rows, found.columns] = found.distances
    half = 0.5 * cut.plane.step
    extent = (
        *(cut.across[0] - half, cut.across[-1] + half),
        *(cut.up[0] - half, cut.up[-1] + half),
    )
    image = ax.imshow(
        np.ma.masked_invalid(values),
        origin="lower",
        extent=extent,
        cmap=palette,
        norm=BoundaryNorm(_BOUNDS, palette.N, extend="max"),
        interpolation="nearest",
        aspect="equal",
    )
    ax.figure.colorbar(
        image, ax=ax, label="CIEDE2000 to the nearest whole recipe", shrink=0.85, format="%g"
    )
    _frame(ax, cut)
    ax.set_title(
        f"{found.pour.batch_g:g} g, {cut.plane}: {found.share(1.0):.0%} within 1",
        fontsize=10,
        color=INK,
        loc="left",
    )
    return ax
