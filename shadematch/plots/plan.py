"""A plan: what each tube gives to which order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.planning.result import Plan
from shadematch.plots.paper import INK, QUIET, axes_for, ink_on, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_plan"]


def draw_plan(plan: Plan, ax: Axes | None = None) -> Axes:
    """Draw a plan: for each pigment the paste on the shelf, the tubes to buy, and who takes it.

    A row is as long as the paste that is used and left over; its pieces have the predicted
    colours of the orders that take them. A line marks where the shelf ends and bought tubes
    begin.

    Parameters
    ----------
    plan
        What `shadematch.plan` gave.
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
    names, unit = plan.palette.names, plan.palette.unit
    ax = axes_for(ax, (8.0, 1.5 + 0.62 * len(names)))
    longest = max(plan.use[n] + plan.left[n] for n in names) or 1.0
    for row, name in enumerate(names):
        start = 0.0
        for number, line in enumerate(plan.poured, 1):
            length = line.use.get(name, 0.0)
            if length <= 0:
                continue
            code = line.predicted.hex
            ax.barh(row, length, left=start, height=0.6, color=code, edgecolor=INK, lw=0.7)
            if length > 0.022 * longest:
                ax.text(
                    start + length / 2,
                    row,
                    str(number),
                    ha="center",
                    va="center",
                    color=ink_on(code),
                    fontsize=8,
                )
            start += length
        left = plan.left[name]
        ax.barh(
            row, left, left=start, height=0.6, facecolor="none", edgecolor=QUIET, ls=":", lw=0.9
        )
        ax.text(
            start + left + 0.01 * longest,
            row,
            f"{left:g} {unit} left",
            va="center",
            color=INK,
            fontsize=8,
        )
        shelf = plan.stock.shelf(name, plan.palette)
        if start + left > shelf + 1e-6:
            ax.plot([shelf, shelf], [row - 0.42, row + 0.42], color=INK, lw=2.0)
    bought = " and ".join(str(p) for p in plan.buy)
    ax.set_yticks(range(len(names)), [plain(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.6)
    ax.set_xlim(0, 1.16 * longest)
    ax.set_xlabel(f"paste [{unit}]; a thick line marks where the shelf ends and new tubes begin")
    ax.spines[["top", "right"]].set_visible(False)
    ax.set_title(
        plain(f"{len(plan.poured)} of {len(plan.lines)} orders poured; buy {bought or 'no tubes'}"),
        fontsize=10,
        color=INK,
        loc="left",
    )
    key = [f"{i} {line.order.name}" for i, line in enumerate(plan.poured, 1)]
    if key:
        lines = ["   ".join(key[i : i + 5]) for i in range(0, len(key), 5)]
        ax.text(
            0,
            -0.17,
            plain("\n".join(lines)),
            transform=ax.transAxes,
            va="top",
            fontsize=8,
            color=INK,
        )
    return ax
