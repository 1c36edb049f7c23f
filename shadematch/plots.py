"""Figures from results. Matplotlib is an extra (``pip install "shadematch[plots]"``)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.errors import MissingExtraError
from shadematch.match import Match
from shadematch.prediction import predict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_match"]

_INK = "#2a2825"


def _axes(ax: Axes | None, size: tuple[float, float]) -> Axes:
    try:
        from matplotlib import pyplot
    except ImportError:
        raise MissingExtraError(
            "needs matplotlib",
            field="plots",
            remedy='Install it with: pip install "shadematch[plots]"',
        ) from None
    if ax is None:
        _, ax = pyplot.subplots(figsize=size, layout="constrained")
    return ax


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
    ax = _axes(ax, (7.0, 2.2 + 0.42 * max(len(doses), 1)))
    longest = max([*doses.values(), 1.0])
    rows = max(len(doses), 1)
    for i, (code, label) in enumerate(
        ((match.target.hex, "wanted"), (match.predicted.hex, "predicted"))
    ):
        left = 0.5 * i * longest
        ax.barh(-2.0, 0.5 * longest, left=left, height=2.0, color=code, edgecolor=_INK, lw=0.8)
        ax.text(left + 0.02 * longest, -3.15, f"{label} {code}", va="bottom", color=_INK)
    for row, (name, dose) in enumerate(doses.items()):
        one = predict({name: 2.0}, palette=match.palette, view=match.view)
        ax.barh(row, dose, height=0.55, color=one.hex, edgecolor=_INK, lw=0.8)
        ax.text(dose + 0.01 * longest, row, f" {dose:g} cm {name}", va="center", color=_INK)
    ax.set_xlim(0, 1.3 * longest)
    ax.set_ylim(rows - 0.4, -3.9)
    ax.set_yticks([])
    ax.set_xlabel("paste to squeeze out [cm]")
    ax.spines[["left", "top", "right"]].set_visible(False)
    ax.set_title(
        f"{match.pour}: CIEDE2000 {match.delta_e:.2f},\n{match.proof}",
        fontsize=10,
        color=_INK,
        loc="left",
    )
    return ax
