"""From a recipe to its colour: the one bridge from models to arrays."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from shadematch.colour.colorimetry import (
    LAB_FROM_RESPONSE,
    cube_root_response,
    lab_from_response,
    srgb_to_hex,
    xyz_to_srgb,
)
from shadematch.errors import PourError
from shadematch.optics.layer import Layer, reflectance
from shadematch.studio.palette import Palette, demo_palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LARGEST_DOSE, Recipe, Weighed
from shadematch.studio.unit import check_unit, measured
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = [
    "Model",
    "Prediction",
    "conditions",
    "loads_of",
    "model_for",
    "opened",
    "predict",
    "predict_loads",
]


class Model:
    """Colour as a function of loads, for one palette, base, thickness and view.

    Loads are in the palette's unit per 100 g and in its order, so that the batch size plays no
    part.

    Attributes
    ----------
    absorption
        Of the pigments, shape (n, 36).
    scattering
        Of the pigments, shape (n, 36); zeros where none scatters.
    base_absorption, base_scattering
        Of the blend [1/cm], shape (36,).
    scattering_pigments
        Positions of the pigments that scatter.
    """

    def __init__(self, palette: Palette, thickness_cm: float, white: float, view: View) -> None:
        self.palette = palette
        self.view = view
        self.thickness_cm = thickness_cm
        self.absorption = np.array([p.absorption for p in palette.pigments])
        zero = np.zeros(self.absorption.shape[1])
        self.scattering = np.array(
            [zero if p.scattering is None else p.scattering for p in palette.pigments]
        )
        self.base_absorption, self.base_scattering = palette.blend(white)
        self.weights, self.white = view.observation
        self.scattering_pigments = tuple(i for i, p in enumerate(palette.pigments) if p.scatters)
        self._around = view.surroundings

    @functools.cached_property
    def layer(self) -> Layer:
        """The layer while no scattering pigment is in it."""
        return self.layer_with(np.zeros(len(self.palette.pigments)))

    def layer_with(self, loads: FloatArray) -> Layer:
        """The layer whose scattering is that of the base and of `loads`, shape (n,)."""
        return Layer(
            self.base_scattering + loads @ self.scattering, self.thickness_cm, self._around
        )

    def spectra(self, loads: FloatArray) -> FloatArray:
        """Radiance factors, shape (..., 36), of loads of shape (..., n)."""
        mu_a = self.base_absorption + loads @ self.absorption
        if not self.scattering_pigments:
            return self.layer.value(mu_a)
        if loads.ndim == 1:
            # By the spline, as the proved search sees it.
            return self.layer_with(loads).value(mu_a)
        mu_s = self.base_scattering + loads @ self.scattering
        return reflectance(mu_a, mu_s, self.thickness_cm, self._around)[0]

    def xyz(self, loads: FloatArray) -> FloatArray:
        """Tristimulus values, shape (..., 3)."""
        return self.spectra(loads) @ self.weights.T

    def lab(self, loads: FloatArray) -> FloatArray:
        """CIELAB, shape (..., 3)."""
        return lab_from_response(cube_root_response(self.xyz(loads), self.white)[0])

    def lab_and_slope(self, loads: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB and its Jacobian by the loads, shapes (..., 3) and (..., 3, n)."""
        mu_a = self.base_absorption + loads @ self.absorption
        if self.scattering_pigments:
            mu_s = self.base_scattering + loads @ self.scattering
            R, by_a, by_s = reflectance(mu_a, mu_s, self.thickness_cm, self._around)
            slopes = by_a[..., None, :] * self.absorption + by_s[..., None, :] * self.scattering
        else:
            R, by_a = self.layer.evaluate(mu_a)
            slopes = by_a[..., None, :] * self.absorption
        f, f_slope = cube_root_response(R @ self.weights.T, self.white)
        xyz_slope = np.swapaxes(slopes @ self.weights.T, -1, -2)  # (..., 3, n)
        return lab_from_response(f), LAB_FROM_RESPONSE @ (f_slope[..., None] * xyz_slope)


@functools.lru_cache(maxsize=32)
def model_for(palette: Palette, thickness_cm: float, white: float, view: View) -> Model:
    """The model of these conditions, kept for the next call."""
    return Model(palette, thickness_cm, white, view)


@dataclass(frozen=True)
class Prediction(Reported):
    """The colour that a recipe will have.

    Attributes
    ----------
    recipe, view
        What was asked.
    reflectance
        Radiance factor at the library's wavelengths (a transmittance against the light).
    xyz
        Tristimulus values, Y = 100 for the perfect diffuser.
    lab
        CIELAB relative to the view's own white.
    hex
        sRGB code, clipped if need be.
    in_srgb
        Whether the code shows the colour without clipping.
    """

    recipe: Recipe
    view: View
    reflectance: FloatArray = field(repr=False, compare=False)
    xyz: tuple[float, float, float]
    lab: tuple[float, float, float]
    hex: str
    in_srgb: bool

    def report(self) -> Report:
        """Recipe and colour."""
        return Report(
            swatches=(Swatch.of(self, "predicted"),),
            rows=(
                *self.recipe.rows,
                Row("seen", str(self.view)),
                Row.colour("predicted", self),
            ),
        )


def conditions(
    palette: Palette | None, pour: Pour | None, view: View | None
) -> tuple[Palette, Pour, View]:
    """What was given, or what is meant where nothing was.

    Raises
    ------
    PourError
        If one of them is of the wrong kind.
    """
    palette = demo_palette() if palette is None else palette
    pour = Pour() if pour is None else pour
    view = View() if view is None else view
    expect(palette, Palette, "palette", "Give a Palette, such as demo_palette()")
    expect(pour, Pour, "pour", "Use Pour(...)")
    expect(view, View, "view", "Use View(...)")
    return palette, pour, view


def loads_of(doses: Mapping[str, float], palette: Palette, pour: Pour) -> FloatArray:
    """Loads in palette order [palette's unit per 100 g].

    Raises
    ------
    UnknownNameError
        For a name that the palette lacks.
    PourError
        For a dose that is negative or not a finite number.
    """
    loads = np.zeros(len(palette.pigments))
    for name, dose in doses.items():
        at = palette.index(name)
        if isinstance(dose, bool) or not isinstance(dose, int | float | np.integer | np.floating):
            raise PourError(
                "must be a number",
                field=f"doses.{name}",
                value=dose,
                remedy=f"In {palette.unit}",
            )
        if not 0 <= dose <= LARGEST_DOSE:  # NaN fails every comparison
            raise PourError(
                f"must lie between 0 and {LARGEST_DOSE:,.0f} {palette.unit}",
                field=f"doses.{name}",
                value=dose,
                remedy=f"Give the {measured(palette.unit)} of paste in {palette.unit}",
            )
        loads[at] = float(dose) * 100.0 / pour.batch_g
    return loads


def opened(
    recipe: Recipe | Mapping[str, float], palette: Palette, pour: Pour | None, field: str
) -> tuple[Mapping[str, float], Pour | None, tuple[Weighed, ...]]:
    """Doses, pour and let-downs of a recipe, or of doses and a pour beside them.

    Raises
    ------
    PourError
        If it is neither, a recipe's doses are in another unit than the palette's, or its pour is
        given a second time and is another one.
    """
    if not isinstance(recipe, Recipe):
        expect(recipe, Mapping, field, "Give a Recipe, or doses such as {'gorse': 2}")
        return recipe, pour, ()
    if pour is not None and pour != recipe.pour:
        raise PourError(
            "is given twice, and not the same",
            field="pour",
            value=pour,
            remedy="A Recipe brings its own; leave it out, or give the doses alone",
        )
    check_unit(recipe.unit, palette.unit, field)
    return recipe.doses, recipe.pour, recipe.weighed


def predict(
    doses: Recipe | Mapping[str, float],
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
) -> Prediction:
    """The colour of a recipe.

    Parameters
    ----------
    doses
        Paste of each pigment [palette's unit]; any amount from 0 on, over the load limit too. Or a
        `Recipe`, which brings its own pour.
    palette, pour, view
        By default the demo palette, 100 g at 1 cm in clear base, and D65 on white paper.

    Returns
    -------
    Prediction

    Raises
    ------
    UnknownNameError, PourError
        For a name that the palette lacks, a dose that can't be, a `Recipe` in another unit than
        the palette's, or a pour beside a `Recipe` that is not its own.
    """
    palette, stated, view = conditions(palette, pour, view)
    doses, own, weighed = opened(doses, palette, pour, "doses")
    pour = stated if own is None else own
    loads = loads_of(doses, palette, pour)
    ordered = {p.name: float(doses[p.name]) for p in palette.pigments if doses.get(p.name)}
    return predict_loads(loads, Recipe(ordered, pour, weighed, palette.unit), palette, view)


def predict_loads(loads: FloatArray, recipe: Recipe, palette: Palette, view: View) -> Prediction:
    """The prediction for loads [palette's unit per 100 g] whose recipe is already made up."""
    model = model_for(palette, recipe.pour.thickness_cm, recipe.pour.white, view)
    spectrum = model.spectra(loads)
    xyz = spectrum @ model.weights.T
    lab = lab_from_response(cube_root_response(xyz, model.white)[0])
    rgb, inside = xyz_to_srgb(xyz, model.white)
    spectrum.setflags(write=False)
    return Prediction(
        recipe=recipe,
        view=view,
        reflectance=spectrum,
        xyz=(float(xyz[0]), float(xyz[1]), float(xyz[2])),
        lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        hex=srgb_to_hex(rgb),
        in_srgb=bool(inside),
    )
