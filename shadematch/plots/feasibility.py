"""Heat maps of how near a colour can be come to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shadematch.gamuts.feasibility import Comparison, Feasibility
from shadematch.plots.paper import INK, axes_for, ink_on, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_comparison", "draw_feasibility"]

_MOST_NAMED = 4


def _initials(names: tuple[str, ...]) -> dict[str, str]:
    """The shortest beginnings that tell the names apart, at least two letters."""
    found = {}
    for name in names:
        others = [n for n in names if n != name]
        length = 2
        while length < len(name) and any(o.startswith(name[:length]) for o in others):
            length += 1
        found[name] = name[:length]
    return found


def draw_feasibility(
    found: Feasibility, ax: Axes | None = None, *, batch: int = -1, recipes: bool = True
) -> Axes:
    """Draw one batch of a feasibility: in each cell its true colour, CIEDE2000 and recipe.

    Parameters
    ----------
    found
        From `shadematch.feasibility`.
    ax
        Where to draw; by default a new figure.
    batch
        Position in `found.batches_g`; the largest by default.
    recipes
        Whether to write the doses into the cells.

    Returns
    -------
    Axes
        Each cell is filled with the colour its recipe will have, round a square of the wanted
        colour. A thick frame marks what counts as made.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    columns, rows = len(found.thicknesses_cm), len(found.whites)
    ax = axes_for(ax, (1.6 + 1.12 * columns, 1.3 + 0.72 * rows))
    from matplotlib.patches import Rectangle

    short = _initials(found.palette.names)
    for y, line in enumerate(found.cells[batch]):
        for x, cell in enumerate(line):
            code = cell.closest.predicted.hex
            ink = ink_on(code)
            ax.add_patch(Rectangle((x, y), 1, 1, facecolor=code, edgecolor="white", lw=1.0))
            ax.add_patch(
                Rectangle(
                    (x + 0.06, y + 0.58),
                    0.22,
                    0.34,
                    facecolor=found.target.hex,
                    edgecolor=ink,
                    lw=0.5,
                )
            )
            ax.text(
                x + 0.95,
                y + 0.75,
                f"{cell.delta_e:.1f}",
                ha="right",
                va="center",
                color=ink,
                fontsize=11,
                weight="bold",
            )
            if recipes:
                doses = list(cell.closest.recipe.doses.items())
                shown = [f"{dose:g} {short[name]}" for name, dose in doses[:_MOST_NAMED]]
                lines = [" ".join(shown[:2]), " ".join(shown[2:])]
                if len(doses) > _MOST_NAMED:
                    lines[1] += " ..."
                ax.text(
                    x + 0.06,
                    y + 0.28,
                    plain("\n".join(filter(None, lines)) or "no paste"),
                    va="center",
                    color=ink,
                    fontsize=7,
                )
            if cell.delta_e <= found.within:
                ax.add_patch(
                    Rectangle((x + 0.03, y + 0.03), 0.94, 0.94, fill=False, edgecolor=ink, lw=2.2)
                )
    ax.set_xlim(0, columns)
    ax.set_ylim(0, rows)
    ax.set_xticks([x + 0.5 for x in range(columns)], [f"{t:g}" for t in found.thicknesses_cm])
    ax.set_yticks([y + 0.5 for y in range(rows)], [f"{w * 100:g}" for w in found.whites])
    ax.tick_params(length=0)
    ax.set_xlabel("thickness [cm]")
    ax.set_ylabel("white base in the blend [%]")
    ax.spines[:].set_visible(False)
    names = ", ".join(f"{short[n]} {n}" for n in found.palette.names)
    unit = found.palette.unit
    ax.set_title(
        plain(
            f"{found.batches_g[batch]:g} g, CIEDE2000 to {found.target.hex} (small squares); "
            f"framed: within {found.within:g}" + (f"\ndoses in {unit}: {names}" if recipes else "")
        ),
        fontsize=9,
        color=INK,
        loc="left",
    )
    return ax


def draw_comparison(found: Comparison, ax: Axes | None = None, *, batch: int = -1) -> Axes:
    """Draw how much farther or nearer the second palette stays, cell by cell.

    Parameters
    ----------
    found
        From `Feasibility.compare`.
    ax
        Where to draw; by default a new figure.
    batch
        Position among the batches; the largest by default.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    first, second = found.first, found.second
    columns, rows = len(first.thicknesses_cm), len(first.whites)
    ax = axes_for(ax, (2.4 + 0.85 * columns, 1.3 + 0.5 * rows))
    change = found.difference[batch]
    most = max(float(abs(change).max()), 1.0)
    image = ax.imshow(change, origin="lower", cmap="PuOr", vmin=-most, vmax=most, aspect="auto")
    for y in range(rows):
        for x in range(columns):
            was, now = (f.cells[batch][y][x].delta_e for f in (first, second))
            dark = abs(change[y, x]) > 0.6 * most
            ax.text(
                x,
                y,
                f"{was:.1f} → {now:.1f}",
                ha="center",
                va="center",
                fontsize=8,
                color="white" if dark else "black",
            )
    ax.set_xticks(range(columns), [f"{t:g}" for t in first.thicknesses_cm])
    ax.set_yticks(range(rows), [f"{w * 100:g}" for w in first.whites])
    ax.set_xlabel("thickness [cm]")
    ax.set_ylabel("white base in the blend [%]")
    ax.figure.colorbar(image, ax=ax, label="change of CIEDE2000")
    ax.set_title(
        plain(
            f"{first.target.hex}, {first.batches_g[batch]:g} g: CIEDE2000 with the first "
            f"palette → with {found.name}"
        ),
        fontsize=9,
        color=INK,
        loc="left",
    )
    return ax
