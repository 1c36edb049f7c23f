"""What all figures share: axes, inks, light and dark."""

from __future__ import annotations

import functools
import io
import re
from html import escape
from typing import TYPE_CHECKING, Any, Final
from weakref import WeakKeyDictionary

import numpy as np

from shadematch.errors import MissingExtraError
from shadematch.support.html import DARK, LIGHT, themed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "CURVE",
    "INK",
    "LINES",
    "MARK",
    "QUIET",
    "STYLE",
    "axes_for",
    "beside",
    "colour_bar",
    "inset",
    "literal",
    "paint",
    "scale_of",
    "svg_of",
    "title",
]

INK: Final = LIGHT["ink"]
QUIET: Final = LIGHT["quiet"]
MARK: Final = LIGHT["mark"]
CURVE: Final = LIGHT["curve"]
_PAPER: Final = LIGHT["paper"]
_INKS: Final = frozenset({INK, QUIET, MARK, CURVE, _PAPER})
LINES: Final = ("solid", (0, (5, 2)), (0, (1.2, 1.6)), (0, (7, 2, 1.2, 2)))
"""Line styles in order of use."""
_ALTS: Final[WeakKeyDictionary[Any, str]] = WeakKeyDictionary()
"""What axes show, in words."""
_PX_PER_PT: Final = 96.0 / 72.0
_LEAST_PX: Final = 9.0
STYLE: Final[dict[str, Any]] = {
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.facecolor": "none",
    "figure.facecolor": _PAPER,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.7,
    "font.size": 10.0,
    "axes.titlesize": 10.0,
    "legend.labelcolor": INK,
}
"""Settings of matplotlib for figures that `svg_of` adapts to light and dark pages."""


def axes_for(ax: Axes | None, size: tuple[float, float], *, projection: str | None = None) -> Axes:
    """The axes given, or those of a new figure of a size in inches.

    Notebooks show a new figure as SVG in the colours of the page. A `MissingExtraError` without
    matplotlib.
    """
    with MissingExtraError.unless("matplotlib", "plots", field="plots"):
        from matplotlib import pyplot
    if ax is None:
        # Outside of the settings: the first figure makes a notebook's backend interactive, which
        # their end would undo.
        figure = pyplot.figure(figsize=size, layout="constrained", facecolor=_PAPER)
        with pyplot.rc_context(STYLE):
            ax = figure.add_subplot(projection=projection)
        # A method of this one figure, since a class would need matplotlib at import.
        shown: Any = figure
        shown._repr_html_ = functools.partial(_shown, figure)
    return ax


def inset(ax: Axes, bounds: tuple[float, float, float, float]) -> Axes:
    """Axes inside others; left, bottom, width and height as shares of them."""
    from matplotlib import pyplot

    with pyplot.rc_context(STYLE):
        return ax.inset_axes(bounds)


def colour_bar(ax: Axes, mappable: Any, words: str) -> None:
    """A colour bar below the axes, which make room for it."""
    bar = ax.figure.colorbar(
        mappable, ax=ax, orientation="horizontal", format="%g", aspect=40, pad=0.08
    )
    bar.ax.tick_params(colors=INK)
    bar.set_label(literal(words), color=INK)


def _shown(figure: Any) -> str:
    return f'<div style="overflow-x:auto">{svg_of(figure)}</div>'


def beside(ax: Axes, height: float, words: str, colour: str) -> None:
    """Words to the right of axes, at a height in the data's units."""
    ax.annotate(
        words,
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(5, 0),
        textcoords="offset points",
        va="center",
        color=colour,
        annotation_clip=False,
    )


def title(ax: Axes, words: str, *, alt: str = "", **given: Any) -> None:
    """The title of axes, and a description for those who can't see the figure."""
    ax.set_title(literal(words), color=INK, loc="left", fontsize=10, **given)
    _ALTS[ax] = alt or words.replace("\n", " ")


def svg_of(figure: Any, alt: str = "") -> str:
    """A figure as SVG without a ground of its own, in the colours of the page that shows it.

    It follows the CSS variables of cards, else ``prefers-color-scheme``. Text stays text, and is
    never shown below 9 px. `alt` describes the figure; by default it is made of the axes' titles.
    """
    from matplotlib import pyplot
    from matplotlib.text import Text

    stream = io.StringIO()
    with pyplot.rc_context({"svg.fonttype": "none", "svg.hashsalt": "shadematch"}):
        figure.savefig(
            stream,
            format="svg",
            metadata={"Date": None, "Creator": None},
            dpi=110,
            bbox_inches="tight",
            pad_inches=0.04,
        )
    svg = stream.getvalue()
    svg = svg[svg.index("<svg") :].rstrip()
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    for name in ("ink", "quiet", "mark", "curve", "paper"):
        # Colours of the data are never these codes; see `paint`.
        ground = "transparent" if name == "paper" else f"var(--sm-fig-{name})"
        svg = re.sub(rf"(?<=[:\s]){LIGHT[name]}(?=[;\"])", ground, svg)
    words = alt or ". ".join(filter(None, (_ALTS.get(ax, "") for ax in figure.axes)))
    shown = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    least = min((t.get_fontsize() for t in shown), default=10.0)
    wide = float(re.findall(r'viewBox="0 0 ([\d.]+)', svg)[0]) * _PX_PER_PT
    narrowest = wide * min(1.0, _LEAST_PX / (least * _PX_PER_PT))
    head = (
        f'<svg role="img" aria-label="{escape(words, quote=True)}" class="sm-figure" '
        f'width="{wide:.0f}" style="max-width:100%;min-width:{narrowest:.0f}px;height:auto"'
    )
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = svg.replace("<svg", head, 1)
    at = svg.index(">") + 1
    return f"{svg[:at]}<style>{_theme()}</style>{svg[at:]}"


def _theme() -> str:
    names = ("ink", "quiet", "mark", "curve")
    light, dark = (
        "".join(f"--sm-fig-{n}:{colours[n]};" for n in names) for colours in (LIGHT, DARK)
    )
    return themed(".sm-figure", light, dark)


def paint(code: str) -> str:
    """A colour of the data, one code off if it equals an ink, since inks change with the page."""
    if code.lower() not in _INKS:
        return code
    return f"{code[:5]}{int(code[5:], 16) ^ 1:02x}"


def scale_of(ax: Axes, delta_e: float, low: float | None = None, high: float | None = None) -> None:
    """CIEDE2000 on a small square-root scale from 0 to 10, in axes of its own (an inset).

    Above 10 an arrow marks the end; `low` to `high` is its range.
    """
    at = np.sqrt([0, 1, 2, 5, 10])
    place = float(np.sqrt(min(delta_e, 10.0)))
    ax.plot(at[[0, -1]], [0, 0], color=QUIET, lw=0.9)
    words = f"CIEDE2000 {delta_e:.2f}"
    if low is not None and high is not None:
        ends = np.sqrt(np.clip([low, high], 0.0, 10.0))
        ax.plot(ends, [0, 0], color=MARK, lw=6, alpha=0.35, solid_capstyle="round")
        words += f"\n({low:.1f} to {high:.1f})"
    ax.plot([place], [0.14], marker=">" if delta_e > 10 else "v", color=MARK, ms=7, ls="none")
    ax.set_xlim(-0.1, at[-1] + 0.1)
    ax.set_ylim(-0.06, 0.5)
    ax.set_xticks(at, ["0", "1", "2", "5", "10"], fontsize=9, color=INK)
    ax.set_yticks([])
    ax.set_facecolor("none")
    ax.spines[:].set_visible(False)
    ax.tick_params(length=3, color=QUIET, pad=1)
    ax.set_title(words, fontsize=10, color=INK, loc="left", pad=3)


def literal(text: str) -> str:
    """Somebody else's text, such as a name, kept from matplotlib's mathematics."""
    return text.replace("$", r"\$")
