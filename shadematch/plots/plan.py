"""A plan: what each order takes from each tube."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from shadematch.colour.colorimetry import ink_on
from shadematch.planning.result import Plan
from shadematch.support.hatching import mark_corner, mark_key
from shadematch.support.paper import INK, QUIET, axes_for, literal, paint, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_plan"]


def draw_plan(plan: Plan, ax: Axes | None = None) -> Axes:
    """Draw a plan: for each pigment, the paste that orders take, what is left, tubes to buy.

    A row is as long as the paste used and left; its pieces have the predicted colours of their
    orders. A thick line marks where the shelf ends and bought tubes begin.
    """
    names, unit = plan.palette.names, plan.palette.unit
    ax = axes_for(ax, (7.4, 2.2 + 0.72 * len(names)))
    longest = max(plan.use[n] + plan.left[n] for n in names) or 1.0
    for row, name in enumerate(names):
        start, small = 0.0, 0
        for number, line in enumerate(plan.poured, 1):
            length = line.use.get(name, 0.0)
            if length <= 0:
                continue
            seen = line.predicted
            ax.barh(
                row, length, left=start, height=0.5, color=paint(seen.hex), edgecolor=INK, lw=0.7
            )
            if not seen.in_srgb:
                wide_pt = 400.0 * length / longest
                mark_corner(ax, start + length, row + 0.25, size_pt=min(9.0, wide_pt))
            middle = start + length / 2
            if length > 0.03 * longest:
                ax.text(middle, row, str(number), ha="center", va="center", color=ink_on(seen.hex))
            else:
                # Too small for its number, which goes above or below by turns.
                up = -1 if small % 2 == 0 else 1
                small += 1
                ax.plot([middle] * 2, [row + 0.25 * up, row + 0.31 * up], color=INK, lw=0.7)
                ax.text(
                    middle,
                    row + 0.31 * up,
                    str(number),
                    ha="center",
                    va="bottom" if up < 0 else "top",
                    color=INK,
                    fontsize=9,
                )
            start += length
        left = plan.left[name]
        ax.barh(row, left, left=start, height=0.5, fc="none", edgecolor=QUIET, ls=":", lw=0.9)
        ax.text(start + left + 0.01 * longest, row, f"{left:g} {unit} left", va="center", color=INK)
        shelf = plan.stock.shelf(name, plan.palette)
        if start + left > shelf + 1e-6:
            for color, lw in (("#ffffff", 4.0), ("#000000", 2.0)):
                ax.plot([shelf, shelf], [row - 0.36, row + 0.36], color=color, lw=lw)
    bought = " and ".join(str(p) for p in plan.buy)
    ax.set_yticks(range(len(names)), [literal(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.6)
    ax.set_xlim(0, 1.22 * longest)
    ax.set_xlabel(f"paste [{unit}]; a thick line: the shelf ends, new tubes begin")
    ax.spines[["top", "right"]].set_visible(False)
    key = [f"{i} {line.order.name}" for i, line in enumerate(plan.poured, 1)]
    heading = (
        f"{len(plan.poured)} of {len(plan.lines)} orders poured; buy {bought or 'no tubes'}",
        *textwrap.wrap("   ".join(k.replace(" ", "\xa0") for k in key), 86),
    )
    title(
        ax,
        "\n".join(heading),
        alt=f"A bar for each paste, cut into what each order takes: {heading[0]}",
    )
    mark_key(ax)
    return ax
