"""A match's choices: paste against CIEDE2000, each in its colour."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.matching.match import Match
from shadematch.support.hatching import mark_key, mark_surface
from shadematch.support.paper import INK, MARK, QUIET, axes_for, beside, paint, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_choices"]

_TUBES = ("", "o", "s", "^", "D", "p", "h", "8", "*")


def draw_choices(match: Match, ax: Axes | None = None) -> Axes:
    """Draw how much paste each of a match's choices takes, and how close it comes.

    Each choice has its predicted colour, and a shape for its number of tubes. A line marks
    `Match.tolerance`, a ring the frugal choice.
    """
    ax = axes_for(ax, (6.4, 3.9))
    from matplotlib.lines import Line2D

    choices, unit = match.choices, match.recipe.unit
    limit = match.closest.delta_e + match.tolerance
    ax.axhline(limit, color=MARK, ls="--", lw=1.2)
    beside(ax, limit, f"{match.tolerance:g} worse\nthan the closest", MARK)
    ax.step(
        [c.recipe.total for c in choices],
        [c.delta_e for c in choices],
        where="post",
        color=QUIET,
        lw=0.8,
        zorder=1,
    )
    for choice in choices:
        seen = choice.predicted
        ax.plot(
            choice.recipe.total,
            choice.delta_e,
            marker=_TUBES[min(choice.recipe.tubes, len(_TUBES) - 1)] or "x",
            ms=15,
            mfc=paint(seen.hex),
            mec=INK,
            mew=0.8,
            ls="none",
        )
        if not seen.in_srgb:
            mark_surface(ax)
            ax.plot(choice.recipe.total, choice.delta_e, marker="$////$", ms=8, color="#000000")
    frugal = match.frugal
    ax.plot(frugal.recipe.total, frugal.delta_e, "o", ms=24, mfc="none", mec=MARK, mew=1.6)
    ax.set_xlabel(f"paste in all [{unit}]")
    ax.set_ylabel("CIEDE2000 to the target")
    ax.set_ylim(0, None)
    ax.margins(x=0.1)
    ax.spines[["top", "right"]].set_visible(False)
    keys = [
        Line2D([], [], marker=_TUBES[n], ls="none", mfc="none", mec=INK, ms=9, label=words)
        for n in sorted({min(c.recipe.tubes, len(_TUBES) - 1) for c in choices} - {0})
        for words in (f"{n} tube" if n == 1 else f"{n} tubes",)
    ]
    keys.append(Line2D([], [], marker="o", ls="none", mfc="none", mec=MARK, ms=12, label="frugal"))
    title(
        ax,
        f"{len(choices)} choices for {match.target.hex}",
        alt=f"Paste against CIEDE2000 of {len(choices)} choices for {match.target.hex}, the "
        f"closest {match.closest.delta_e:.2f} with {match.closest.recipe.total:g} {unit}",
    )
    mark_key(ax, keys, columns=5)
    return ax
