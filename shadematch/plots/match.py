"""A match: two colours and its doses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.matching.match import Match
from shadematch.matching.same_look import SameLook
from shadematch.matching.smallest_batch import SmallestBatch
from shadematch.plots.paper import INK, axes_for, plain
from shadematch.predicting.prediction import Prediction, paste_colour
from shadematch.studio.recipe import Recipe

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_batches", "draw_match", "draw_same_look"]


def draw_match(match: Match, ax: Axes | None = None) -> Axes:
    """Draw a match: the two colours side by side, and the doses as bars.

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
    doses = match.recipe.squeezed
    weighed, unit = match.recipe.weighed, match.recipe.unit
    rows = max(len(doses) + len(weighed), 1)
    ax = axes_for(ax, (7.0, 2.2 + 0.42 * rows))
    longest = max([*doses.values(), 1.0])
    for i, (code, label) in enumerate(
        ((match.target.hex, "wanted"), (match.predicted.hex, "predicted"))
    ):
        left = 0.5 * i * longest
        ax.barh(-2.0, 0.5 * longest, left=left, height=2.0, color=code, edgecolor=INK, lw=0.8)
        ax.text(left + 0.02 * longest, -3.15, f"{label} {code}", va="bottom", color=INK)
    for row, (name, dose) in enumerate(doses.items()):
        one = paste_colour(name, match.palette, match.view)
        ax.barh(row, dose, height=0.55, color=one.hex, edgecolor=INK, lw=0.8)
        ax.text(
            dose + 0.01 * longest, row, plain(f" {dose:g} {unit} {name}"), va="center", color=INK
        )
    for row, part in enumerate(weighed, start=len(doses)):
        ax.text(0.01 * longest, row, plain(str(part)), va="center", color=INK)
    ax.set_xlim(0, 1.3 * longest)
    ax.set_ylim(rows - 0.4, -3.9)
    ax.set_yticks([])
    ax.set_xlabel(f"paste to {'squeeze out' if unit == 'cm' else 'weigh'} [{unit}]")
    ax.spines[["left", "top", "right"]].set_visible(False)
    ax.set_title(
        f"{match.pour}: CIEDE2000 {match.delta_e:.2f},\n{match.proof}",
        fontsize=10,
        color=INK,
        loc="left",
    )
    return ax


def draw_batches(smallest: SmallestBatch, ax: Axes | None = None) -> Axes:
    """Draw CIEDE2000 of the closest recipe against the mass of the batch.

    Parameters
    ----------
    smallest
        What `shadematch.smallest_batch` gave; where it tried nothing, only the levels are drawn.
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
    ax = axes_for(ax, (7.0, 3.6))
    masses = [p.mass_g for p in smallest.curve]
    values = [p.delta_e for p in smallest.curve]
    ax.plot(masses, values, color="#1f4e5f", lw=1.4, marker=".", ms=3)
    ax.axhline(smallest.within, color="#8a3b12", ls="--", lw=1)
    ax.axhline(smallest.ideal_delta_e, color="#77736a", ls=":", lw=1)
    right = smallest.largest_g
    ax.text(right, smallest.within, "asked for ", va="bottom", ha="right", color="#8a3b12")
    if smallest.mass_g is not None:
        at = masses.index(smallest.mass_g)
        ax.plot(masses[at], values[at], "o", color="#8a3b12")
        ax.annotate(
            f"{smallest.mass_g:g} g",
            (masses[at], values[at]),
            xytext=(4, 7),
            textcoords="offset points",
            color="#8a3b12",
        )
    ax.set_xlim(0, right)
    ax.set_ylim(0, max([*values, 1.5 * smallest.within, smallest.ideal_delta_e * 1.2]))
    ax.set_xlabel("mass of base [g]")
    ax.set_ylabel("CIEDE2000 of the closest recipe")
    ax.spines[["top", "right"]].set_visible(False)
    ax.set_title(smallest.sentence, fontsize=9, color=INK, loc="left", wrap=True)
    return ax


def draw_same_look(look: SameLook, ax: Axes | None = None) -> Axes:
    """Draw the old bar and the new one: their colours, side views to scale, and doses.

    Parameters
    ----------
    look
        What `shadematch.same_look` gave.
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
    ax = axes_for(ax, (7.0, 3.4))
    thickest = max(look.before.recipe.pour.thickness_cm, look.predicted.recipe.pour.thickness_cm)
    for left, word, bar, recipe in (
        (0.0, "was", look.before, look.before.recipe),
        (1.15, "now", look.predicted, look.recipe),
    ):
        _draw_bar(ax, left, word, bar, recipe, thickest)
    ax.set_xlim(-0.02, 2.2)
    ax.set_ylim(-1.05, 2.25)
    ax.axis("off")
    ax.set_title(
        f"CIEDE2000 {look.delta_e:.2f} between the two", fontsize=10, color=INK, loc="left"
    )
    return ax


def _draw_bar(
    ax: Axes, left: float, word: str, bar: Prediction, recipe: Recipe, thickest: float
) -> None:
    pour = recipe.pour
    ax.bar(left + 0.5, 1.0, width=1.0, bottom=1.0, color=bar.hex, edgecolor=INK, lw=0.8)
    ax.text(left, 2.05, f"{word}: {bar.hex}, seen from above", color=INK, fontsize=9)
    height = 0.55 * pour.thickness_cm / thickest
    ax.bar(left + 0.5, height, width=1.0, bottom=0.15, color=bar.hex, edgecolor=INK, lw=0.8)
    ax.text(left, 0.17 + height, f"{pour.thickness_cm:g} cm thick", fontsize=8, color=INK)
    lines = [str(pour), f"seen {bar.view}", *recipe.lines]
    ax.text(left, 0.05, plain("\n".join(lines)), va="top", color=INK, fontsize=8)
