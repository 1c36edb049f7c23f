"""The outcome of a recipe: how far batches stray, and a batch before and after correction."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_srgb
from shadematch.correction.results import Correction
from shadematch.predicting.spread import Spread
from shadematch.support.hatching import mark_corner, mark_key
from shadematch.support.paper import INK, axes_for, inset, literal, paint, scale_of, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_correction", "draw_spread"]

_MOST_DRAWN = 500


def draw_spread(spread: Spread, ax: Axes | None = None) -> Axes:
    """Draw a* and b* of batches of one recipe, each in its colour, of the recipe and the target."""
    ax = axes_for(ax, (6.4, 4.6))
    lab = spread.drawn[:_MOST_DRAWN]
    white = spread.view.observation.white
    rgb, _ = xyz_to_srgb(lab_to_xyz(lab, white), white)
    ax.scatter(lab[:, 1], lab[:, 2], c=rgb, s=22, edgecolors=INK, linewidths=0.25)
    centre = spread.nominal.lab
    ax.plot(*centre[1:], "P", ms=12, mfc="#ffffff", mec="#000000", label="nothing off")
    if spread.target is not None:
        goal = spread.target.lab_in(spread.view)
        ax.plot(goal[1], goal[2], "D", ms=9, mfc="#ffffff", mec="#000000", label="target")
    ax.set_xlabel("a* (green to red) [CIELAB]")
    ax.set_ylabel("b* (blue to yellow) [CIELAB]")
    ax.set_aspect("equal", adjustable="datalim")
    ax.spines[["top", "right"]].set_visible(False)
    words = (
        f"half of all batches within CIEDE2000 {spread.median:.1f} of {spread.to}, "
        f"nine in ten within {spread.p90:.1f}"
    )
    title(ax, f"{spread.recipe}:\n{words}", alt=f"A cloud of batches: {words}")
    mark_key(ax, ax.get_legend_handles_labels()[0])
    return ax


def draw_correction(found: Correction, ax: Axes | None = None) -> Axes:
    """Draw a batch as measured and as expected after the advice, each beside the wanted colour."""
    ax = axes_for(ax, (6.4, 3.9))
    advice = found.advice
    before = f"measured {found.measured.hex}"
    after = f"expected {advice.hex}"
    rows = (
        (before, found.measured.hex, found.measured.in_srgb, found.measured_delta_e, None),
        (after, advice.hex, True, advice.delta_e, advice.p90),
    )
    for i, (words, code, true, delta_e, high) in enumerate(rows):
        bottom = 1.6 * (1 - i)
        ax.bar(0.6, 1.0, width=1.2, bottom=bottom, color=paint(found.target.hex), lw=0)
        ax.bar(0.9, 1.0, width=0.6, bottom=bottom, color=paint(code), lw=0)
        ax.bar(0.6, 1.0, width=1.2, bottom=bottom, fill=False, ec=INK, lw=0.8)
        ax.text(0.0, bottom + 1.05, f"wanted {found.target.hex}", color=INK)
        ax.text(0.6, bottom + 1.05, words, color=INK)
        if not true:
            mark_corner(ax, 1.2, bottom)
        scale = inset(ax, (0.68, (bottom + 0.35) / 3.2, 0.3, 0.16))
        scale_of(scale, delta_e, None if high is None else 0.0, high)
    ax.set_xlim(-0.01, 1.9)
    ax.set_ylim(-0.1, 3.1)
    ax.axis("off")
    say = "add nothing" if advice.nothing else f"add {advice}"
    title(
        ax,
        literal(f"{found.status}: {say}"),
        alt=f"{before}, CIEDE2000 {found.measured_delta_e:.1f} from {found.target.hex}; {say}; "
        f"{after}, {advice.delta_e:.1f}",
    )
    mark_key(ax, below_pt=4)
    return ax
