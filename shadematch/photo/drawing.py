"""A photo with what was read in it, as a picture. Matplotlib is an extra."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from shadematch.errors import MissingExtraError, PhotoError
from shadematch.photo.mean import Mean
from shadematch.photo.picture import Picture
from shadematch.photo.profile import SRGB
from shadematch.photo.regions import Region

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Bytes", "Scene", "draw_photo", "draw_regions", "preview", "scene_of"]

LONGEST: Final = 720
"""Longer side [pixels] of the copy of a photo that a result keeps for its picture."""
_INK: Final = "#2a2825"
_LINES: Final = {"region": "#ffffff", "neutral": "#00c8e8", "chart": "#ffd400"}
_MARKS: Final = {1: (255, 0, 200), 2: (0, 90, 255), 3: (0, 255, 140), 4: (255, 0, 0)}
_WORDS: Final = {1: "glare", 2: "shadow", 3: "dust", 4: "clipped"}

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Scene:
    """A small copy of a photo, and what was read in it.

    Attributes
    ----------
    pixels
        sRGB, shape (rows, columns, 3).
    every
        Pixels of the photo to one of these, along a side.
    frames
        Kind, frame [pixels of the photo] and marks of each region.
    """

    pixels: Bytes
    every: float
    frames: tuple[tuple[str, tuple[int, int, int, int], Bytes], ...]


@functools.cache
def _curve() -> Bytes:
    """Codes of sRGB for linear values from 0 to 1, in steps too small to tell."""
    v = np.linspace(0.0, 1.0, 2**15)
    steep = 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.rint(255 * np.where(v <= 0.0031308, 12.92 * v, steep)), dtype=np.uint8)


def preview(picture: Picture, longest: int = LONGEST) -> tuple[Bytes, float]:
    """A small sRGB copy, and how many pixels of the photo one of its pixels stands for."""
    patch, every = picture.small(longest)
    # The same for every pixel: one matrix, and a table for the curve.
    to_srgb = np.linalg.solve(SRGB.matrix, picture.profile.matrix)
    linear = np.clip(patch.linear @ to_srgb.T.astype(np.float32), 0.0, 1.0)
    pixels = _curve()[np.rint(linear * (_curve().size - 1)).astype(np.intp)]
    pixels[~patch.seen] = 255
    return pixels, every


def scene_of(picture: Picture, means: Sequence[tuple[str, Mean]]) -> Scene:
    """What a result keeps of a photo for its picture."""
    pixels, every = preview(picture)
    frames = tuple(
        (kind, frame, marks.astype(np.uint8)) for kind, m in means for frame, marks in m.marks
    )
    return Scene(pixels, every, frames)


def _pyplot() -> Any:
    try:
        from matplotlib import pyplot
    except ImportError:
        raise MissingExtraError.of("matplotlib", "plots", field="plots") from None
    return pyplot


def draw_photo(scene: Scene | None, *, before: str, after: str, title: str) -> Figure:
    """The photo with its regions and what was left out, and the colour before and after."""
    pyplot = _pyplot()
    if scene is None:
        raise PhotoError("the photo was not kept", field="show", remedy="Read the photo anew")
    high, wide = scene.pixels.shape[:2]
    figure = pyplot.figure(figsize=(8.4, 1.0 + 6.0 * min(1.3, high / wide)), layout="constrained")
    axes, side = figure.subplots(1, 2, width_ratios=(6, 1.3))
    axes.imshow(scene.pixels, interpolation="nearest", extent=(0, wide, high, 0))
    used: dict[int, None] = {}
    for kind, (left, top, right, bottom), marks in scene.frames:
        extent = [v / scene.every for v in (left, right, bottom, top)]
        overlay = np.zeros((*marks.shape, 4), dtype=np.uint8)
        for code, colour in _MARKS.items():
            overlay[marks == code] = (*colour, 200)
            if np.any(marks == code) and kind == "region":
                used[code] = None
        axes.imshow(overlay, extent=extent, interpolation="nearest", zorder=2)
        inside = (marks != 6).astype(float)
        edge = np.pad(inside, 1)
        dx, dy = (extent[1] - extent[0]) / marks.shape[1], (extent[2] - extent[3]) / marks.shape[0]
        x = extent[0] + (np.arange(edge.shape[1]) - 0.5) * dx
        y = extent[3] + (np.arange(edge.shape[0]) - 0.5) * dy
        for width, line in ((2.6, _INK), (1.3, _LINES[kind])):
            axes.contour(x, y, edge, levels=[0.5], colors=line, linewidths=width, zorder=3)
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.set_axis_off()
    axes.set_title(title, fontsize=10, color=_INK, loc="left")
    from matplotlib.patches import Patch as Key

    keys = [Key(facecolor=np.array(_MARKS[c]) / 255, label=_WORDS[c]) for c in used]
    kinds = dict.fromkeys(kind for kind, _, _ in scene.frames)
    keys = [Key(facecolor=_LINES[k], edgecolor=_INK, label=k) for k in kinds] + keys
    figure.legend(handles=keys, loc="outside lower left", ncols=7, fontsize=9, frameon=False)
    for i, (code_, word) in enumerate(((before, "as photographed"), (after, "target"))):
        side.add_patch(pyplot.Rectangle((0, 1.25 * i), 1, 1, facecolor=code_, edgecolor="#77736a"))
        side.text(0, 1.25 * i + 1.03, f"{word}\n{code_}", va="top", fontsize=9, color=_INK)
    side.set_xlim(-0.02, 1.3)
    side.set_ylim(2.6, -0.05)
    side.set_axis_off()
    return figure  # type: ignore[no-any-return]


def draw_regions(
    pixels: Bytes,
    every: float,
    regions: Sequence[Region],
    size: tuple[int, int],
    *,
    letter: float = 13,
) -> Figure:
    """A photo with numbered boxes or polygons; `letter` is the size of the numbers [pt]."""
    pyplot = _pyplot()
    high, wide = pixels.shape[:2]
    figure = pyplot.figure(figsize=(7.5, 0.4 + 7.0 * min(1.4, high / wide)), layout="constrained")
    axes = figure.subplots()
    axes.imshow(pixels, extent=(0, wide, high, 0))
    for i, region in enumerate(regions, 1):
        n = [v / every for v in region.outline(*size)]
        if region.kind == "box":
            n = [n[0], n[1], n[2], n[1], n[2], n[3], n[0], n[3]]
        corners = np.array(n).reshape(-1, 2)
        for width, colour in ((3.0, _INK), (1.4, "#ffffff")):
            axes.add_patch(pyplot.Polygon(corners, fill=False, edgecolor=colour, linewidth=width))
        axes.text(
            *corners.mean(axis=0),
            str(i),
            ha="center",
            va="center",
            fontsize=letter,
            color=_INK,
            bbox={"boxstyle": "circle", "fc": "#ffffff", "ec": _INK},
        )
    axes.set_axis_off()
    return figure  # type: ignore[no-any-return]
