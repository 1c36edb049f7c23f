"""A photo with what was read in it, as a picture; matplotlib is an extra."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from shadematch.colour.colorimetry import encode_srgb
from shadematch.errors import PhotoError
from shadematch.photo.mean import Mean
from shadematch.photo.picture import Picture
from shadematch.photo.profile import SRGB
from shadematch.photo.regions import Region
from shadematch.support.hatching import mark_corner, mark_handle, mark_key
from shadematch.support.paper import INK, axes_for, inset, paint, title as name_axes
from shadematch.support.report import Seen

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Bytes", "Scene", "draw_photo", "draw_regions", "preview", "scene_of"]

LONGEST: Final = 720
"""Longer side [pixels] of the copy of a photo kept for its picture."""
_LINES: Final[dict[str, tuple[str, Any]]] = {
    "region": ("#ffffff", "solid"),
    "neutral": ("#00c8e8", (0, (5, 2))),
    "chart": ("#ffd400", (0, (1.5, 1.5))),
    "reference": ("#7cff5a", (0, (6, 1.5, 1.5, 1.5))),
}
_HATCHES: Final = {1: "////", 2: "\\\\\\\\", 3: "....", 4: "++++"}
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
        Pixels of the photo per pixel of the copy, along a side.
    frames
        Kind, frame [pixels of the photo] and marks of each region.
    """

    pixels: Bytes
    every: float
    frames: tuple[tuple[str, tuple[int, int, int, int], Bytes], ...]


@functools.cache
def _curve() -> Bytes:
    """Codes of sRGB for linear values from 0 to 1, in steps too small to see."""
    linear = np.linspace(0.0, 1.0, 2**15)
    return np.asarray(np.rint(255 * encode_srgb(linear)), dtype=np.uint8)


def preview(picture: Picture) -> tuple[Bytes, float]:
    """A small sRGB copy, and how many pixels of the photo each of its pixels stands for."""
    patch, every = picture.small(LONGEST)
    # One matrix for all pixels, and a table for the curve.
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


def draw_photo(scene: Scene | None, *, before: str, after: Seen, title: str) -> Figure:
    """The photo with its regions and what was left out, and the colour before and after."""
    if scene is None:
        raise PhotoError("the photo was not kept", field="show", remedy="Read the photo again")
    high, wide = scene.pixels.shape[:2]
    axes: Any = axes_for(None, (7.4, 1.5 + 5.2 * min(1.3, high / wide)))
    axes.imshow(scene.pixels, interpolation="nearest", extent=(0, wide, high, 0))
    used: dict[int, None] = {}
    for kind, (left, top, right, bottom), marks in scene.frames:
        extent = [v / scene.every for v in (left, right, bottom, top)]
        axes.imshow(_overlay(marks), extent=extent, interpolation="nearest", zorder=2)
        if kind == "region":
            used |= dict.fromkeys(code for code in _MARKS if np.any(marks == code))
        inside = (marks != 6).astype(float)
        edge = np.pad(inside, 1)
        dx, dy = (extent[1] - extent[0]) / marks.shape[1], (extent[2] - extent[3]) / marks.shape[0]
        x = extent[0] + (np.arange(edge.shape[1]) - 0.5) * dx
        y = extent[3] + (np.arange(edge.shape[0]) - 0.5) * dy
        for width, line, style in ((2.8, "#000000", "solid"), (1.4, *_LINES[kind])):
            drawn = axes.contour(x, y, edge, levels=[0.5], colors=line, linewidths=width, zorder=3)
            drawn.set_linestyle(style)
            drawn.set_rasterized(True)
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.set_axis_off()
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch as Key
    from matplotlib.patheffects import withStroke

    kinds = dict.fromkeys(kind for kind, _, _ in scene.frames)
    keys: list[Any] = [
        Line2D([], [], color=line, ls=style, lw=2.2, label=kind)
        for kind, (line, style) in ((k, _LINES[k]) for k in kinds)
    ]
    for line_key in keys:
        line_key.set_path_effects([withStroke(linewidth=3.6, foreground="#000000")])
    keys += [
        Key(fc=np.array(_MARKS[c]) / 255, ec="#000000", hatch=_HATCHES[c], lw=0, label=_WORDS[c])
        for c in used
    ]
    side: Any = inset(axes, (1.03, 0.0, 0.24, 1.0))
    codes = (("as photographed", before, True), ("target", after.hex, after.in_srgb))
    for i, (word, code, true) in enumerate(codes):
        # Touching, because the eye compares best without a gap.
        side.bar(0.5, 1.0, width=1.0, bottom=1.0 - i, color=paint(code), lw=0)
        where: dict[str, Any] = {"va": "bottom", "y": 2.03} if i == 0 else {"va": "top", "y": -0.03}
        side.text(x=0, s=f"{word}\n{code}", color=INK, **where)
        if not true:
            mark_corner(side, 1.0, 1.0 - i)
    side.set_xlim(-0.02, 1.3)
    side.set_ylim(-0.6, 2.6)
    side.set_axis_off()
    name_axes(axes, title, alt=f"The photo and what was read in it: target {after.hex}, {title}")
    if not after.in_srgb:
        keys.append(mark_handle())
    mark_key(axes, keys, below_pt=4.0, columns=4)
    return axes.figure  # type: ignore[no-any-return]


def _overlay(marks: Bytes) -> Bytes:
    """What was left out as RGBA, each kind in its own hue and hatching."""
    overlay = np.zeros((*marks.shape, 4), dtype=np.uint8)
    down, across = np.indices(marks.shape)
    hatched = {
        1: (down + across) % 6 < 2,
        2: (down - across) % 6 < 2,
        3: (down % 4 < 2) & (across % 4 < 2),
        4: (down % 6 < 2) | (across % 6 < 2),
    }
    for code, colour in _MARKS.items():
        here = marks == code
        overlay[here] = (*colour, 200)
        overlay[here & hatched[code]] = (0, 0, 0, 230)
    return overlay


def draw_regions(
    pixels: Bytes,
    every: float,
    regions: Sequence[Region],
    size: tuple[int, int],
    *,
    letter: float = 13,
) -> Figure:
    """A photo with numbered boxes or polygons; `letter` is the size of the numbers [pt]."""
    from matplotlib.patches import Polygon

    high, wide = pixels.shape[:2]
    axes: Any = axes_for(None, (7.0, 0.4 + 6.5 * min(1.4, high / wide)))
    axes.imshow(pixels, extent=(0, wide, high, 0))
    for i, region in enumerate(regions, 1):
        n = [v / every for v in region.outline(*size)]
        if region.kind == "box":
            n = [n[0], n[1], n[2], n[1], n[2], n[3], n[0], n[3]]
        corners = np.array(n).reshape(-1, 2)
        for width, colour in ((3.0, "#000000"), (1.4, "#ffffff")):
            axes.add_patch(Polygon(corners, fill=False, edgecolor=colour, linewidth=width))
        axes.text(
            *corners.mean(axis=0),
            str(i),
            ha="center",
            va="center",
            fontsize=letter,
            color="#000000",
            bbox={"boxstyle": "circle", "fc": "#ffffff", "ec": "#000000"},
        )
    axes.set_axis_off()
    name_axes(axes, "", alt=f"The photo with {len(regions)} numbered areas")
    return axes.figure  # type: ignore[no-any-return]
