"""A gamut to walk in: a slice follows lightness, thickness, white and batch; clicks give recipes.

A recipe comes at once: the nearest real-valued one, rounded to the best whole doses near it. When
the hand rests it is matched again and proved, and the slice is decided by search.
"""

from __future__ import annotations

import functools
import itertools
from importlib import resources
from typing import Any, Final

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_margin, srgb_to_hex, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.gamuts.reach import Gamut
from shadematch.gamuts.slices import Plane
from shadematch.matching.match import match
from shadematch.matching.question import VISIBLE
from shadematch.plots.gamut import draw_slice
from shadematch.predicting.spread import spread
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = ["Walk", "walk"]

_STEP: Final = 8.0
_MOST_MOVES: Final = 12
_MOST_CHANGED: Final = 4
_THICK: Final = 4.0
"""How far from the plane sampled colours count in the first look at a slice [L*]."""


class Walk:
    """The answers of a walk: slices and recipes as plain lists that a page can draw.

    `gamut` gives palette and view, and the pour that the walk starts with.
    """

    def __init__(self, gamut: Gamut) -> None:
        self.gamut = gamut
        self._at: dict[tuple[float, float], Gamut] = {}

    def __repr__(self) -> str:
        return f"walk in the gamut of {', '.join(self.gamut.palette.names)}, {self.gamut.pour}"

    def _repr_mimebundle_(self, **given: Any) -> Any:
        from matplotlib import pyplot

        cut = draw_slice(self.gamut.slice(lightness=60.0, step=_STEP))
        figure: Any = cut.figure
        still = {"text/plain": repr(self), "text/html": figure._repr_html_()}
        pyplot.close(figure)  # or the notebook would show it again
        try:
            shown = widget_of(self)
        except ImportError:
            return still
        made = shown._repr_mimebundle_(**given)
        data, about = made if isinstance(made, tuple) else (made, {})
        return {**still, **(data or {})}, about

    def _conditions(self, asked: dict[str, Any]) -> tuple[Gamut, Pour]:
        key = float(asked["thickness"]), float(asked["white"]) / 100.0
        if key not in self._at:
            if len(self._at) > 24:
                self._at.clear()
            self._at[key] = self.gamut.at(thickness_cm=key[0], white=key[1])
        found = self._at[key]
        fields = {**found.pour.model_dump(), "batch_g": float(asked["batch"])}
        return found, Pour(**fields)

    def cut(self, asked: dict[str, Any], *, exact: bool) -> dict[str, Any]:
        """A level slice: where its grid lies, its colours, what can be made, what sRGB shows.

        Parameters
        ----------
        asked
            ``lightness``, ``thickness`` [cm], ``white`` [%] and ``batch`` [g].
        exact
            Whether each point is decided by search, or by sampled recipes near the plane.
        """
        gamut, _ = self._conditions(asked)
        lightness = float(asked["lightness"])
        doses = gamut._doses
        if exact:
            found = gamut.slice(lightness=lightness, step=_STEP)
            across, up, lab, made = found.across, found.up, found.lab, found.inside
        else:
            plane = Plane.of(lightness, None, _STEP)
            across, up = plane.axes(doses.cloud.lab)
            lab = plane.labs(*np.meshgrid(across, up))
            made = _near(doses.cloud.lab, lightness, across, up)
        white = gamut.view.observation.white
        xyz = lab_to_xyz(lab, white)
        rgb = np.rint(255 * xyz_to_srgb(xyz, white)[0]).astype(int)
        return {
            "left": float(across[0]),
            "foot": float(up[0]),
            "step": _STEP,
            "columns": int(across.size),
            "rgb": rgb.reshape(-1, 3).tolist(),
            "made": made.ravel().astype(int).tolist(),
            "shown": (srgb_margin(xyz, white) >= 0).ravel().astype(int).tolist(),
            "exact": exact,
        }

    def recipe(self, asked: dict[str, Any], *, proved: bool) -> dict[str, Any]:
        """The recipe nearest to a colour, and what holds it back.

        Parameters
        ----------
        asked
            As for `cut`, and ``a`` and ``b``, the place in the plane.
        proved
            Whether it is matched and proved, with the range of batches, or rounded from the nearest
            real-valued recipe.
        """
        gamut, pour = self._conditions(asked)
        view, palette = gamut.view, gamut.palette
        lab = np.array([float(asked[name]) for name in ("lightness", "a", "b")])
        target = Target.from_lab(tuple(lab.tolist()), illuminant=view.illuminant)
        told: dict[str, Any] = {"wanted": target.hex, "wanted_shown": target.in_srgb}
        if proved:
            answer = match(target, palette=palette, pour=pour, view=view)
            seen, away, made = answer.predicted, answer.delta_e, answer.recipe
            stray = spread(made, palette=palette, view=view, target=target)
            told |= {
                "hex": seen.hex,
                "shown": seen.in_srgb,
                "held": answer.verdict.sentence,
                "proof": answer.proof,
                "median": stray.median,
                "p90": stray.p90,
            }
        else:
            loads, ideal = self._real(gamut, lab)
            doses, away, made_lab = _whole(gamut, pour, loads, lab)
            made = Recipe(
                {n: float(d) for n, d in zip(palette.names, doses, strict=True) if d > 0},
                pour,
                unit=palette.unit,
            )
            white = view.observation.white
            rgb, inside = xyz_to_srgb(lab_to_xyz(made_lab, white), white)
            told |= {"hex": srgb_to_hex(rgb), "shown": bool(inside), "held": _held(ideal, away)}
        told["delta_e"] = away
        told["doses"] = [[n, d] for n, d in made.doses.items()]
        told["unit"] = palette.unit
        told["base"] = str(pour)
        return told

    @staticmethod
    def _real(gamut: Gamut, lab: FloatArray) -> tuple[FloatArray, float]:
        steps, away = gamut._doses.cloud.nearest(lab[None], starts=1)
        return steps[0] * gamut._doses.load_per_step, float(away[0])


def _near(cloud: FloatArray, lightness: float, across: FloatArray, up: FloatArray) -> BoolArray:
    """Grid points with sampled colours near the plane around them: a first look."""
    from scipy.ndimage import binary_closing, binary_fill_holes

    near = cloud[np.abs(cloud[:, 0] - lightness) <= _THICK]
    found = np.zeros((up.size, across.size), dtype=bool)
    columns = np.rint((near[:, 1] - across[0]) / _STEP).astype(int)
    rows = np.rint((near[:, 2] - up[0]) / _STEP).astype(int)
    found[rows, columns] = True
    return np.asarray(binary_fill_holes(binary_closing(found, iterations=2)))


def _whole(
    gamut: Gamut, pour: Pour, loads: FloatArray, lab: FloatArray
) -> tuple[FloatArray, float, FloatArray]:
    """A near recipe of whole steps from real-valued loads: doses, CIEDE2000, Lab."""
    steps = loads / pour.load_per_step
    ends = [{np.floor(value), np.ceil(value)} for value in steps]
    tried = np.array(list(itertools.product(*ends))) * pour.load_per_step
    best, least, seen = np.zeros(loads.size), np.inf, lab
    for _ in range(_MOST_MOVES):
        tried = tried[(tried.sum(axis=1) <= pour.max_load + 1e-9) & (tried.min(axis=1) >= -1e-9)]
        labs = gamut._doses.model.lab(tried)
        away = np.asarray(delta_e(labs, lab[None]))
        nearest = int(np.argmin(away))
        if away[nearest] >= least - 1e-9:
            break
        best, least, seen = tried[nearest], float(away[nearest]), labs[nearest]
        # Up to four steps more or less in total.
        tried = best + _moves(loads.size) * pour.load_per_step
    # As loads, whole steps have rounding errors.
    return np.rint(best / pour.load_per_step) * pour.dose_step, least, seen


@functools.cache
def _moves(size: int) -> FloatArray:
    steps = np.array(list(itertools.product((-2.0, -1.0, 0.0, 1.0, 2.0), repeat=size)))
    return np.asarray(steps[np.abs(steps).sum(axis=1) <= _MOST_CHANGED])


def _held(ideal: float, whole: float) -> str:
    if ideal > VISIBLE:
        return f"These pastes in this base and thickness stay {ideal:.1f} away."
    if whole > VISIBLE:
        return f"Whole doses in this batch: with free doses {ideal:.2f}. A larger batch helps."
    return "Dosed exactly, most people see no difference. Slips are not counted here."


def widget_of(walk: Walk) -> Any:
    """The walk as a widget for Jupyter; an `ImportError` without anywidget."""
    import anywidget
    import traitlets

    def heard(widget: Any, asked: dict[str, Any], _: Any) -> None:
        proved = bool(asked.get("rest"))
        answer = {"asked": asked["number"], "recipe": walk.recipe(asked, proved=proved)}
        if asked.get("cut"):
            answer["cut"] = walk.cut(asked, exact=proved)
        widget.send(answer)

    pour = walk.gamut.pour
    start = {
        "lightness": 60,
        "thickness": pour.thickness_cm,
        "white": 100 * pour.white,
        "batch": max(pour.batch_g, 500.0),
        "a": 20.0,
        "b": 40.0,
    }
    source = resources.files("shadematch").joinpath("resources", "walk.js").read_text("utf-8")
    kind = type(
        "WalkWidget",
        (anywidget.AnyWidget,),
        {"_esm": source, "start": traitlets.Dict(start).tag(sync=True)},
    )
    shown = kind()
    shown.on_msg(heard)
    return shown


def walk(gamut: Gamut) -> Walk:
    """A gamut to walk in, in Jupyter; elsewhere a slice of it.

    With ``anywidget`` it shows controls for lightness, thickness, white and batch beside a slice,
    where a click asks for a recipe; without it, a figure. `gamut` is a result of
    `shadematch.gamut`.
    """
    return Walk(gamut)
