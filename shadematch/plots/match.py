"""A match: two colours and a ruler."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.match import Match
from shadematch.plots.paper import INK, axes_for
from shadematch.prediction import predict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_match"]


def draw_match(match: Match, ax: Axes | None = None) -> Axes:
    """Draw a match: the two colours side by side, and the doses as lengths on a ruler.

    Parameters
    ----------
    match
        What `shadematch.match` gave.
    ax
        Where to draw; by default a new figure.

    Returns
    -------
    Axes
        With the drawing.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    doses = match.recipe.doses_cm
    ax = axes_for(ax, (7.0, 2.2 + 0.42 * max(len(doses), 1)))
    longest = max([*doses.values(), 1.0])
    rows = max(len(doses), 1)
    for i, (code, label) in enumerate(
        ((match.target.hex, "wanted"), (match.predicted.hex, "predicted"))
    ):
        left = 0.5 * i * longest
        ax.barh(-2.0, 0.5 * longest, left=left, height=2.0, color=code, edgecolor=INK, lw=0.8)
        ax.text(left + 0.02 * longest, -3.15, f"{label} {code}", va="bottom", color=INK)
    for row, (name, dose) in enumerate(doses.items()):
        one = predict({name: 2.0}, palette=match.palette, view=match.view)
        ax.barh(row, dose, height=0.55, color=one.hex, edgecolor=INK, lw=0.8)
        ax.text(dose + 0.01 * longest, row, f" {dose:g} cm {name}", va="center", color=INK)
    ax.set_xlim(0, 1.3 * longest)
    ax.set_ylim(rows - 0.4, -3.9)
    ax.set_yticks([])
    ax.set_xlabel("paste to squeeze out [cm]")
    ax.spines[["left", "top", "right"]].set_visible(False)
    ax.set_title(
        f"{match.pour}: CIEDE2000 {match.delta_e:.2f},\n{match.proof}",
        fontsize=10,
        color=INK,
        loc="left",
    )
    return ax
