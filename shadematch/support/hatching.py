"""The mark of what is outside sRGB, in figures; see `shadematch.support.mark`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final
from weakref import WeakSet

from shadematch.support.mark import HATCHED, runs
from shadematch.support.paper import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["HATCH", "mark_corner", "mark_handle", "mark_key", "mark_stretches", "mark_surface"]

HATCH: Final = "////"
"""Of surfaces outside sRGB."""
_CORNER_PT: Final = 13.0
_MARKED: Final[WeakSet[Any]] = WeakSet()
"""Axes with the mark in them."""


def mark_corner(ax: Axes, right: float, bottom: float, *, size_pt: float = _CORNER_PT) -> None:
    """A hatched corner of a fixed size; `right` and `bottom` are in the data's units."""
    from matplotlib.path import Path

    filled = Path([(0, 0), (-1, 0), (0, 1), (0, 0)], [1, 2, 2, 79])
    lines, codes = [], []
    for part in (0.82, 0.5, 0.18):
        lines += [(-part, 0.0), (0.0, part)]
        codes += [1, 2]
    # Markers are scaled by their farthest point: a move to (-1, 1) gives both the same.
    striped = Path([*lines, (-1, 1)], [*codes, 1])
    common: dict[str, Any] = {"ms": 2 * size_pt, "clip_on": False, "zorder": 8, "ls": "none"}
    ax.plot([right], [bottom], marker=filled, mfc="#ffffff", mec="none", **common)
    ax.plot(
        [right],
        [bottom],
        marker=striped,
        mfc="none",
        mec="#000000",
        mew=0.11 * size_pt,
        **common,
    )
    _MARKED.add(ax)


def mark_stretches(
    ax: Axes, edges: Sequence[float], in_srgb: Iterable[bool], *, bottom: float, height: float
) -> None:
    """A hatched bar along the foot of what is outside sRGB.

    `edges` are those of the pieces, one more than `in_srgb`; `bottom` and `height` are the bar's,
    in the data's units.
    """
    for first, end in runs(in_srgb):
        ax.fill_between(
            [edges[first], edges[end]],
            bottom,
            bottom + height,
            facecolor="#ffffff",
            edgecolor="#000000",
            hatch="//////",
            linewidth=0.0,
            zorder=4,
        )
        _MARKED.add(ax)


def mark_surface(ax: Axes) -> None:
    """Note that a surface in the axes is hatched."""
    _MARKED.add(ax)


def mark_handle() -> Any:
    """The mark as an entry of a legend."""
    from matplotlib.patches import Patch

    return Patch(fc="#ffffff", ec="#000000", hatch="//////", lw=0.0, label=HATCHED)


def mark_key(
    ax: Axes, handles: Sequence[Any] = (), *, below_pt: float = 34.0, columns: int = 2
) -> None:
    """A legend `below_pt` [pt] under the finished axes: `handles`, and the mark if it occurs."""
    from matplotlib.transforms import ScaledTranslation

    shown = [*handles, *([mark_handle()] if ax in _MARKED else [])]
    if not shown:
        return
    down = ScaledTranslation(0, -below_pt / 72.0, ax.figure.dpi_scale_trans)
    ax.legend(
        handles=shown,
        loc="upper left",
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=ax.transAxes + down,
        frameon=False,
        borderaxespad=0.0,
        borderpad=0.0,
        handlelength=1.6,
        ncols=columns,
        fontsize=9,
        labelcolor=INK,
    )
