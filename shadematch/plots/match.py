"""A match: two colours and its doses."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from shadematch.matching.match import Match
from shadematch.matching.same_look import SameLook
from shadematch.matching.smallest_batch import SmallestBatch
from shadematch.predicting.prediction import Prediction, paste_colour
from shadematch.studio.recipe import Recipe
from shadematch.support.hatching import mark_corner, mark_key
from shadematch.support.paper import (
    CURVE,
    INK,
    MARK,
    QUIET,
    axes_for,
    beside,
    inset,
    literal,
    paint,
    scale_of,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_batches", "draw_match", "draw_same_look"]


def draw_match(match: Match, ax: Axes | None = None) -> Axes:
    """Draw a match: the two colours touching, CIEDE2000 on a scale, and the doses on a ruler."""
    doses = match.recipe.from_tubes
    weighed, unit = match.recipe.weighed, match.recipe.unit
    rows = max(len(doses) + len(weighed), 1)
    ax = axes_for(ax, (6.4, 2.5 + 0.4 * rows))
    from matplotlib.ticker import AutoMinorLocator, MaxNLocator

    longest = max([*doses.values(), 1.0])
    across = 1.35 * longest
    top, bottom = -3.2, -1.1
    pair = (
        ("wanted", match.target.hex, match.target.in_srgb),
        ("predicted", match.predicted.hex, match.predicted.in_srgb),
    )
    for i, (word, code, true) in enumerate(pair):
        left, width = 0.31 * i * across, 0.31 * across
        middle, tall = (top + bottom) / 2, bottom - top
        # The first extends below the second, so that no seam shows between them.
        ax.barh(middle, (2 - i) * width, left=left, height=tall, color=paint(code), lw=0)
        ax.text(left, top - 0.12, f"{word}\n{code}", va="bottom", color=INK)
        if not true:
            mark_corner(ax, left + width, bottom)
    ax.barh((top + bottom) / 2, 0.62 * across, height=bottom - top, fill=False, ec=INK, lw=0.8)
    for row, (name, dose) in enumerate(doses.items()):
        one = paste_colour(name, match.palette, match.view)
        ax.barh(row, dose, height=0.55, color=paint(one.hex), edgecolor=INK, lw=0.8)
        if not one.in_srgb:
            mark_corner(ax, dose, row + 0.275, size_pt=8)
        ax.text(
            dose + 0.02 * across, row, literal(f"{dose:g} {unit} {name}"), va="center", color=INK
        )
    for row, part in enumerate(weighed, start=len(doses)):
        ax.text(0.01 * longest, row, literal(str(part)), va="center", color=INK)
    ax.set_xlim(0, across)
    ax.set_ylim(rows - 0.4, top - 1.5)
    ax.set_yticks([])
    # A ruler: whole numbers, with halves between them where there is room.
    ax.xaxis.set_major_locator(MaxNLocator(nbins=9, integer=True, steps=[1, 2, 5, 10]))
    if across <= 12:
        ax.xaxis.set_minor_locator(AutoMinorLocator(2))
    ax.set_xlabel(f"paste to {'squeeze out' if unit == 'cm' else 'weigh'} [{unit}]")
    ax.spines[["left", "top", "right"]].set_visible(False)
    high = rows - 0.4 - (top - 1.5)
    scale = inset(ax, (0.68, 1 - (bottom - 0.35 - (top - 1.5)) / high, 0.32, 1.2 / high))
    scale_of(scale, match.delta_e)
    title(ax, f"{match.pour}:\n{match.proof}", alt=_said(match))
    mark_key(ax)
    return ax


def _said(match: Match) -> str:
    doses = ", ".join(match.recipe.lines)
    return (
        f"Wanted {match.target.hex} and predicted {match.predicted.hex} side by side, "
        f"CIEDE2000 {match.delta_e:.2f} apart; below, along a ruler: {doses}"
    )


def draw_batches(smallest: SmallestBatch, ax: Axes | None = None) -> Axes:
    """Draw CIEDE2000 of the closest recipe against the mass of the batch.

    CIEDE2000 is cut off at four times `SmallestBatch.within`. A result that tried nothing shows
    the levels only.
    """
    ax = axes_for(ax, (6.4, 3.9))
    masses = [p.mass_g for p in smallest.curve]
    values = [p.delta_e for p in smallest.curve]
    level, ideal = smallest.within, smallest.ideal_delta_e
    highest = max(4.0 * level, 1.3 * ideal, 1e-3)
    ax.plot(masses, values, color=CURVE, lw=1.4, marker=".", ms=4)
    ax.axhline(level, color=MARK, ls="--", lw=1.2)
    ax.axhline(ideal, color=QUIET, ls=":", lw=1.4)
    cut = [m for m, v in zip(masses, values, strict=True) if v > highest]
    if cut:
        ax.plot(cut, [0.985 * highest] * len(cut), "^", color=CURVE, ms=4)
    # Labels beside the axes, where no curve runs.
    far = abs(level - ideal)
    shift = 0.0 if far > 0.09 * highest else 0.5 * (0.09 * highest - far)
    up = 1.0 if level >= ideal else -1.0
    beside(ax, level + up * shift, f"asked for: {level:g}", MARK)
    beside(ax, ideal - up * shift, f"any doses: {ideal:.2f}", QUIET)
    if smallest.mass_g is not None:
        at = masses.index(smallest.mass_g)
        ax.plot(masses[at], values[at], "o", color=MARK, ms=7)
        ax.annotate(
            f"{smallest.mass_g:g} g",
            (masses[at], 0.0),
            xytext=(4, 6),
            textcoords="offset points",
            color=MARK,
        )
        ax.plot([masses[at]] * 2, [0.0, values[at]], color=MARK, lw=0.8)
    ax.set_xlim(0, smallest.largest_g)
    ax.set_ylim(0, highest)
    ax.set_xlabel("mass of base [g]" + ("; ▲ above the frame" if cut else ""))
    ax.set_ylabel("CIEDE2000 of the closest recipe")
    ax.spines[["top", "right"]].set_visible(False)
    title(ax, "\n".join(textwrap.wrap(smallest.sentence, 78)))
    return ax


def draw_same_look(look: SameLook, ax: Axes | None = None) -> Axes:
    """Draw the old bar and the new one: their colours, side views to scale, and doses."""
    ax = axes_for(ax, (6.4, 4.2))
    thickest = max(look.before.recipe.pour.thickness_cm, look.predicted.recipe.pour.thickness_cm)
    for left, word, bar, recipe in (
        (0.0, "was", look.before, look.before.recipe),
        (1.0, "now", look.predicted, look.recipe),
    ):
        _draw_bar(ax=ax, left=left, word=word, bar=bar, recipe=recipe, thickest=thickest)
    ax.bar(1.0, 1.0, width=2.0, bottom=1.1, fill=False, ec=INK, lw=0.8)
    lines = max(len(look.before.recipe.lines), len(look.recipe.lines))
    ax.set_xlim(-0.02, 2.02)
    ax.set_ylim(-0.75 - 0.16 * lines, 2.9)
    ax.axis("off")
    high = 3.65 + 0.16 * lines
    scale_of(inset(ax, (0.0, 1 - 0.36 / high, 0.36, 0.36 / high)), look.delta_e)
    title(
        ax,
        "",
        alt=f"The old bar {look.before.hex} and the new one {look.predicted.hex} touching, "
        f"CIEDE2000 {look.delta_e:.2f} apart; below them from the side, to scale, with the doses",
    )
    mark_key(ax, below_pt=4)
    return ax


def _draw_bar(
    ax: Axes, left: float, word: str, bar: Prediction, recipe: Recipe, thickest: float
) -> None:
    pour = recipe.pour
    colour: dict[str, Any] = {"color": paint(bar.hex), "edgecolor": INK, "lw": 0.8}
    # Seen from above they touch, because the eye compares best without a gap.
    ax.bar(1.0 + left / 2, 1.0, width=2.0 - left, bottom=1.1, color=colour["color"], lw=0)
    ax.text(left + 0.01, 2.14, f"{word} {bar.hex}, from above", color=INK)
    height = 0.55 * pour.thickness_cm / thickest
    ax.bar(left + 0.48, height, width=0.96, bottom=0.2, **colour)
    ax.text(left + 0.01, 0.24 + height, f"{pour.thickness_cm:g} cm thick", color=INK)
    if not bar.in_srgb:
        mark_corner(ax, left + 1.0, 1.1)
        mark_corner(ax, left + 0.96, 0.2)
    seen = textwrap.wrap(f"seen {bar.view}", 40)
    lines = [str(pour), *seen, *recipe.lines]
    ax.text(left + 0.01, 0.1, literal("\n".join(lines)), va="top", color=INK)
