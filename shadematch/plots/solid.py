"""The gamut as a solid: on paper, and turning in a notebook without a server."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from shadematch.colour.colorimetry import srgb_to_hex
from shadematch.errors import MissingExtraError
from shadematch.gamuts.reach import Gamut
from shadematch.plots.paper import INK, axes_for, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Turning", "draw_solid", "turning"]

_PLOTLY = "application/vnd.plotly.v1+json"


def draw_solid(gamut: Gamut, ax: Axes | None = None) -> Axes:
    """Draw the surface of a gamut in its own colours, in perspective.

    Parameters
    ----------
    gamut
        From `shadematch.gamut`.
    ax
        Three-dimensional axes; by default those of a new figure.

    Raises
    ------
    PourError
        If fewer than three pigments can be in a recipe.
    MissingExtraError
        If matplotlib or scikit-image is not installed.
    """
    surface = gamut.surface
    three: Any = axes_for(ax, (6.0, 5.4), projection="3d")
    from mpl_toolkits.mplot3d.art3d import Poly3DCollection

    corners = surface.vertices[surface.triangles]
    rgb, _ = gamut.colours(corners.mean(axis=1))
    body = Poly3DCollection(corners[:, :, [1, 2, 0]], facecolors=rgb, edgecolors=rgb, lw=0.3)
    three.add_collection3d(body)
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    three.set_xlim(low[1], high[1])
    three.set_ylim(low[2], high[2])
    three.set_zlim(0.0, 100.0)
    three.set_box_aspect((high[1] - low[1], high[2] - low[2], 100.0))
    three.set_xlabel("a* [CIELAB]")
    three.set_ylabel("b* [CIELAB]")
    three.set_zlabel("L* [CIELAB]")
    three.view_init(elev=22, azim=-60)
    three.set_title(
        plain(f"What can be made of {', '.join(gamut.palette.names)}\n{gamut.pour}"),
        fontsize=9,
        color=INK,
        loc="left",
    )
    drawn: Axes = three
    return drawn


class Turning:
    """A solid that a notebook lets turn, with a picture for pages that can't.

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
        figure.savefig(stream, format="png", dpi=80)
        pyplot.close(figure)
        return {
            _PLOTLY: json.loads(self.figure.to_json()),
            "image/png": b64encode(stream.getvalue()).decode(),
            "text/plain": repr(self),
        }


def turning(gamut: Gamut) -> Turning:
    """The surface of a gamut as a solid that turns in a notebook.

    Parameters
    ----------
    gamut
        From `shadematch.gamut`.

    Returns
    -------
    Turning
        Draws itself in JupyterLab; ``.figure`` is a plotly figure, to change or to save
        (``.figure.write_html(path)``).

    Raises
    ------
    PourError
        If fewer than three pigments can be in a recipe.
    MissingExtraError
        If plotly, matplotlib or scikit-image is not installed.
    """
    try:
        from plotly import graph_objects
    except ImportError:
        raise MissingExtraError.of("plotly", "notebooks", field="plots") from None
    surface = gamut.surface
    # Plain 32-bit arrays, which plotly stores in base 64: a third of the size of digits.
    lab = surface.vertices.astype(np.float32)
    rgb, _ = gamut.colours(surface.vertices)
    i, j, k = surface.triangles.T.astype(np.int32)
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
    figure = graph_objects.Figure(mesh)
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
    )
    return Turning(gamut, figure)
