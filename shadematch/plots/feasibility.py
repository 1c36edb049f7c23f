"""Maps of how near a colour can be made."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from shadematch.colour.colorimetry import ink_on
from shadematch.gamuts.feasibility import Comparison, Feasibility
from shadematch.support.hatching import mark_corner, mark_key
from shadematch.support.paper import axes_for, colour_bar, literal, paint, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_comparison", "draw_feasibility"]

_MOST_NAMED: Final = 4
_CHANGES: Final = (-10.0, -5.0, -2.0, -1.0, -0.2, 0.2, 1.0, 2.0, 5.0, 10.0)
"""Steps of a change in CIEDE2000."""


def _initials(names: tuple[str, ...]) -> dict[str, str]:
    """The shortest unique beginnings of the names, at least two letters."""
    found = {}
    for name in names:
        others = [n for n in names if n != name]
        length = 2
        while length < len(name) and any(o.startswith(name[:length]) for o in others):
            length += 1
        found[name] = name[:length]
    return found


def draw_feasibility(found: Feasibility, ax: Axes | None = None, *, batch: int = -1) -> Axes:
    """Draw one batch of a feasibility: in each cell its true colour, CIEDE2000 and recipe.

    Cells have the colour of their recipe; the corner has the wanted one. A thick frame marks what
    is within `Feasibility.within`.

    Parameters
    ----------
    found, ax
        A result of `shadematch.feasibility`, and where to draw it.
    batch
        Position in `found.batches_g`; the largest by default.
    """
    columns, rows = len(found.thicknesses_cm), len(found.whites)
    wide = max(4.8, 1.0 + 0.98 * columns)
    ax = axes_for(ax, (wide, 2.1 + 0.74 * rows))
    from matplotlib.patches import Rectangle

    short = _initials(found.palette.names)
    for y, line in enumerate(found.cells[batch]):
        for x, cell in enumerate(line):
            seen = cell.closest.predicted
            ink = ink_on(seen.hex)
            ax.add_patch(Rectangle((x, y), 1, 1, fc=paint(seen.hex), ec="#ffffff", lw=1.0))
            ax.add_patch(
                Rectangle((x + 0.01, y + 0.62), 0.3, 0.37, fc=paint(found.target.hex), ec="none")
            )
            if not seen.in_srgb:
                mark_corner(ax, x + 1, y, size_pt=10)
            ax.text(
                x + 0.94,
                y + 0.79,
                f"{cell.delta_e:.1f}",
                ha="right",
                va="center",
                color=ink,
                fontsize=11,
                weight="bold",
            )
            doses = list(cell.closest.recipe.doses.items())
            shown = [f"{dose:g} {short[name]}" for name, dose in doses[:_MOST_NAMED]]
            lines = [" ".join(shown[:2]), " ".join(shown[2:])]
            if len(doses) > _MOST_NAMED:
                lines[1] += " ..."
            ax.text(
                x + 0.07,
                y + 0.32,
                literal("\n".join(filter(None, lines)) or "no paste"),
                va="center",
                color=ink,
                fontsize=9,
            )
            if cell.delta_e <= found.within:
                ax.add_patch(
                    Rectangle((x + 0.03, y + 0.03), 0.94, 0.94, fill=False, edgecolor=ink, lw=2.4)
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
    answer = found.answer(batch)
    heading = [
        *textwrap.wrap(answer, int(12 * wide)),
        f"numbers: CIEDE2000 to {found.target.hex} (corners)",
        f"framed: within {found.within:g}",
        *textwrap.wrap(f"doses in {unit}: {names}", int(12 * wide)),
    ]
    title(ax, "\n".join(heading), alt=f"A map over thickness and white base: {answer}")
    mark_key(ax)
    return ax


def draw_comparison(found: Comparison, ax: Axes | None = None, *, batch: int = -1) -> Axes:
    """Draw how much farther or nearer the second palette stays, cell by cell.

    `batch` is a position among the batches; the largest by default.
    """
    first, second = found.first, found.second
    columns, rows = len(first.thicknesses_cm), len(first.whites)
    wide = max(4.8, 1.3 + 0.92 * columns)
    ax = axes_for(ax, (wide, 2.4 + 0.5 * max(rows, 2)))
    from matplotlib import colormaps
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import BoundaryNorm, to_hex
    from matplotlib.patches import Rectangle

    change = found.difference[batch]
    # The same steps in all figures: one far cell doesn't set the scale.
    colours = colormaps["PuOr"]
    norm = BoundaryNorm(_CHANGES, colours.N, extend="both")
    ax.imshow(change, origin="lower", cmap=colours, norm=norm, aspect="auto")
    for y in range(rows):
        for x in range(columns):
            was, now = (f.cells[batch][y][x].delta_e for f in (first, second))
            ink = ink_on(to_hex(colours(norm(change[y, x]))))
            if change[y, x] < _CHANGES[4]:
                # Both ends of the scale are dark: dots show nearer without hue.
                at = (x - 0.5, y - 0.5)
                ax.add_patch(Rectangle(at, 1, 1, fill=False, ec=ink, hatch="..", lw=0))
            ax.text(
                x,
                y,
                f"{was:.1f} → {now:.1f}",
                ha="center",
                va="center",
                fontsize=9,
                color=ink,
                bbox={"fc": colours(norm(change[y, x])), "ec": "none", "pad": 1.0},
            )
    ax.set_xticks(range(columns), [f"{t:g}" for t in first.thicknesses_cm])
    ax.set_yticks(range(rows), [f"{w * 100:g}" for w in first.whites])
    ax.set_xlabel("thickness [cm]")
    ax.set_ylabel("white base in the blend [%]")
    ax.tick_params(length=0)
    colour_bar(ax, ScalarMappable(norm, colours), "change of CIEDE2000 (dotted: nearer)")
    lines = textwrap.wrap(
        f"{first.target.hex}, {first.batches_g[batch]:g} g: CIEDE2000 with the first palette → "
        f"with {found.name}",
        int(12 * wide),
    )
    title(ax, "\n".join(lines), alt=found.sentence)
    return ax
