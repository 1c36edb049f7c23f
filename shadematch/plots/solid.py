"""The gamut as a solid: on paper, and turning in a notebook without a server."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from shadematch.colour.colorimetry import srgb_to_hex
from shadematch.errors import MissingExtraError
from shadematch.gamuts.reach import Gamut
from shadematch.support.arrays import FloatArray
from shadematch.support.hatching import mark_key, mark_surface
from shadematch.support.mark import HATCHED
from shadematch.support.paper import INK, axes_for, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Turning", "draw_solid", "turning"]

_PLOTLY = "application/vnd.plotly.v1+json"
_ACROSS_LINES: Final = np.array([1.0, 0.5, 0.5])
"""Direction across the lines of the hatching, in CIELAB."""
_APART: Final = 4.0
"""Distance of the lines in that direction."""
_ELEVATION: Final = 22.0
_AZIMUTH: Final = -60.0


def draw_solid(gamut: Gamut, ax: Axes | None = None) -> Axes:
    """Draw the surface of a gamut in its own colours, in perspective; `ax` is three-dimensional.

    Raises
    ------
    PourError
        If recipes can hold fewer than three pigments.
    MissingExtraError
        If matplotlib or scikit-image is not installed.
    """
    surface = gamut.surface
    three: Any = axes_for(ax, (6.0, 5.4), projection="3d")
    from mpl_toolkits.mplot3d.art3d import Line3DCollection, Poly3DCollection

    corners = surface.vertices[surface.triangles]
    rgb, _ = gamut.colours(corners.mean(axis=1))
    body = Poly3DCollection(corners[:, :, [1, 2, 0]], facecolors=rgb, edgecolors=rgb, lw=0.3)
    # Without smoothing between its thousands of triangles the picture takes half the bytes.
    body.set(rasterized=True, antialiased=False)
    three.add_collection3d(body)
    ends, normals = _hatching(gamut)
    up, around = np.radians(_ELEVATION), np.radians(_AZIMUTH)
    eye = np.array([np.sin(up), np.cos(up) * np.cos(around), np.cos(up) * np.sin(around)])
    shown = ends[normals @ eye > 0.0]
    # Lines above faces: sorted by distance, faces would hide parts of their lines.
    three.computed_zorder = False
    if len(shown):
        lines = Line3DCollection(shown[:, :, [1, 2, 0]], colors="#000000", lw=0.6, zorder=5)
        lines.set_rasterized(True)
        three.add_collection3d(lines)
        mark_surface(three)
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    three.set_xlim(low[1], high[1])
    three.set_ylim(low[2], high[2])
    three.set_zlim(0.0, 100.0)
    three.set_xlabel("a* [CIELAB]")
    three.set_ylabel("b* [CIELAB]")
    three.set_zlabel("L* [CIELAB]")
    three.view_init(elev=_ELEVATION, azim=_AZIMUTH)
    for axis in (three.xaxis, three.yaxis, three.zaxis):
        axis.set_pane_color((0.0, 0.0, 0.0, 0.0))
    three.set_box_aspect((high[1] - low[1], high[2] - low[2], 100.0), zoom=1.2)
    title(
        three,
        f"What can be made of {', '.join(gamut.palette.names)}\n{gamut.pour}",
        alt=f"The solid of all colours that {', '.join(gamut.palette.names)} can make, in CIELAB",
    )
    mark_key(three, below_pt=8)
    drawn: Axes = three
    return drawn


def _hatching(gamut: Gamut) -> tuple[FloatArray, FloatArray]:
    """Lines over the surface outside sRGB: both ends in CIELAB, (k, 2, 3), and normals, (k, 3).

    The unit normals are those of the faces that the lines lie on, pointing outwards.
    """
    corners = gamut.surface.vertices[gamut.surface.triangles]
    _, inside = gamut.colours(corners.mean(axis=1))
    corners = corners[~np.asarray(inside, dtype=bool)]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-12)
    outwards = corners.mean(axis=1) - gamut.surface.vertices.mean(axis=0)
    normals *= np.where(np.sum(normals * outwards, axis=-1) < 0, -1.0, 1.0)[:, None]
    height = corners @ _ACROSS_LINES / _APART
    found, faced = [], []
    for level in np.arange(np.ceil(height.min(initial=0.0)), height.max(initial=0.0)):
        above = height > level
        cut = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
        # The corner alone on its side, where both cut edges start.
        alone = np.where(
            above[cut].sum(axis=1) == 1, above[cut].argmax(axis=1), above[cut].argmin(axis=1)
        )
        ends = []
        for turn in (1, 2):
            other = (alone + turn) % 3
            low, high = height[cut, alone], height[cut, other]
            share = ((level - low) / (high - low))[:, None]
            ends.append(corners[cut, alone] * (1 - share) + corners[cut, other] * share)
        found.append(np.stack(ends, axis=1))
        faced.append(normals[cut])
    if not found:
        return np.empty((0, 2, 3)), np.empty((0, 3))
    return np.concatenate(found), np.concatenate(faced)


def _chained(ends: FloatArray, shown: FloatArray) -> FloatArray:
    """Pieces that meet end to end as lines, with a third of the points, for a smaller file.

    Pieces meet by their `ends` and are drawn where `shown` says, shape (k, 2, 3) each. Shape
    (n, 3), with a row of NaN after each line.
    """
    keys = [tuple(map(tuple, pair)) for pair in np.round(ends, 6).tolist()]
    meeting: dict[tuple[float, ...], list[int]] = {}
    for number, pair in enumerate(keys):
        for key in pair:
            meeting.setdefault(key, []).append(number)
    single = [any(len(meeting[key]) == 1 for key in pair) for pair in keys]
    left, points = set(range(len(keys))), []
    # Lines with two ends, from one of these; then closed ones.
    for start in sorted(left, key=lambda number: not single[number]):
        if start not in left:
            continue
        piece: int | None = start
        side = int(single[start] and len(meeting[keys[start][1]]) == 1)
        points.append(shown[start, side])
        while piece is not None:
            left.remove(piece)
            points.append(shown[piece, 1 - side])
            at = keys[piece][1 - side]
            piece = next((other for other in meeting[at] if other in left), None)
            side = int(piece is not None and keys[piece][0] != at)
        points.append(np.full(3, np.nan))
    return np.array(points).reshape(-1, 3)


class Turning:
    """A solid that turns in a notebook, with a picture for pages where it can't.

    Attributes
    ----------
    figure
        The plotly figure.
    """

    def __init__(self, gamut: Gamut, figure: Any) -> None:
        self._gamut = gamut
        self.figure = figure

    def __repr__(self) -> str:
        return f"solid of {', '.join(self._gamut.palette.names)}, {self._gamut.pour}"

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        # The figure as data, which JupyterLab draws by itself: no script is stored or fetched.
        import json
        from base64 import b64encode
        from io import BytesIO

        from matplotlib import pyplot

        figure: Any = draw_solid(self._gamut).figure
        stream = BytesIO()
        figure.savefig(stream, format="png", dpi=80, bbox_inches="tight")
        still = figure._repr_html_()
        pyplot.close(figure)
        return {
            _PLOTLY: json.loads(self.figure.to_json()),
            "text/html": still,
            "image/png": b64encode(stream.getvalue()).decode(),
            "text/plain": repr(self),
        }


def turning(gamut: Gamut) -> Turning:
    """The surface of a gamut as a solid that turns in a notebook.

    It draws itself in JupyterLab; ``.figure`` is a plotly figure, to change or to save
    (``.figure.write_html(path)``).

    Raises
    ------
    PourError
        If recipes can hold fewer than three pigments.
    MissingExtraError
        If plotly, matplotlib or scikit-image is not installed.
    """
    with MissingExtraError.unless("plotly", "notebooks", field="plots"):
        from plotly import graph_objects
    surface = gamut.surface
    # Plain 32-bit arrays, which plotly stores in base 64, take a third of the size of digits.
    lab = surface.vertices.astype(np.float32)
    rgb, _ = gamut.colours(surface.vertices)
    i, j, k = surface.triangles.T.astype(np.uint16 if len(lab) < 2**16 else np.int32)
    mesh = graph_objects.Mesh3d(
        x=lab[:, 1].copy(),
        y=lab[:, 2].copy(),
        z=lab[:, 0].copy(),
        i=i,
        j=j,
        k=k,
        vertexcolor=[srgb_to_hex(c) for c in rgb],
        lighting={"ambient": 1.0, "diffuse": 0.0, "specular": 0.0, "fresnel": 0.0},
        hovertemplate="L* %{z:.0f}, a* %{x:.0f}, b* %{y:.0f}<extra></extra>",
    )
    axis = {"backgroundcolor": "#f1efe9", "gridcolor": "#c9c4b8", "color": INK}
    ends, normals = _hatching(gamut)
    # A little above the face.
    parted = _chained(ends, ends + 0.4 * normals[:, None]).astype(np.float32)
    hatching = graph_objects.Scatter3d(
        x=parted[:, 1].copy(),
        y=parted[:, 2].copy(),
        z=parted[:, 0].copy(),
        mode="lines",
        line={"color": "#000000", "width": 1},
        name=HATCHED,
        hoverinfo="skip",
    )
    figure = graph_objects.Figure([mesh, hatching])
    figure.update_layout(
        scene={
            "xaxis": {"title": {"text": "a*"}, **axis},
            "yaxis": {"title": {"text": "b*"}, **axis},
            "zaxis": {"title": {"text": "L*"}, "range": [0, 100], **axis},
            "aspectmode": "data",
            "camera": {"eye": {"x": 1.5, "y": -1.5, "z": 0.9}},
        },
        width=640,
        height=560,
        margin={"l": 0, "r": 0, "t": 10, "b": 0},
        paper_bgcolor="#fbfaf7",
        template="none",
        legend={"x": 0, "y": 0},
    )
    return Turning(gamut, figure)
