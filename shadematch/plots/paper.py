"""What all figures share: axes, ink, lines that are told apart without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from shadematch.colour.colorimetry import hex_to_srgb, srgb_to_xyz
from shadematch.errors import MissingExtraError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["INK", "LINES", "QUIET", "axes_for", "ink_on", "plain"]

INK: Final = "#2a2825"
QUIET: Final = "#8a857b"
LINES: Final = ("solid", (0, (5, 2)), (0, (1.2, 1.6)), (0, (7, 2, 1.2, 2)))
"""Line styles in order of use."""


def axes_for(ax: Axes | None, size: tuple[float, float], *, projection: str | None = None) -> Axes:
    """The axes given, or those of a new figure of a size in inches.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    """
    try:
        from matplotlib import pyplot
    except ImportError:
        raise MissingExtraError.of("matplotlib", "plots", field="plots") from None
    if ax is None:
        _, ax = pyplot.subplots(
            figsize=size, layout="constrained", subplot_kw={"projection": projection}
        )
    return ax


def plain(text: str) -> str:
    """A text of somebody else's, such as a name, that matplotlib does not take for mathematics."""
    return text.replace("$", r"\$")


def ink_on(code: str) -> str:
    """Black or white, whichever is read better on a hex colour.

    By the luminance of IEC 61966-2-1 against that of equal contrast (W3C, WCAG 2.1, 1.4.3).
    """
    return "#000000" if srgb_to_xyz(hex_to_srgb(code))[1] > 17.9 else "#ffffff"
