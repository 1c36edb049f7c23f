"""From a recipe to its colour: the one bridge from models to arrays."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from shadematch.colour.colorimetry import (
    LAB_FROM_RESPONSE,
    cube_root_response,
    lab_from_response,
    srgb_to_hex,
    xyz_to_srgb,
)
from shadematch.errors import PourError
from shadematch.optics.layer import Layer, radiance_factor, reflectance
from shadematch.studio.bend import effective, effective_slope
from shadematch.studio.palette import Palette, demo_palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe, doses_of
from shadematch.studio.unit import Unit, check_unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = [
    "Model",
    "Prediction",
    "checked_recipe",
    "conditions",
    "loads_of",
    "model_for",
    "paste_colour",
    "predict",
    "predict_loads",
    "recipe_of",
    "spelled",
]


class Model:
    """Colour as a function of loads, for one palette, base, thickness and view.

    Loads are per 100 g [palette's unit], in palette order, so the batch size doesn't matter.

    Attributes
    ----------
    absorption, scattering
        Of the pigments per effective load, shape (n, 36); scattering is 0 where there is none.
    bend
        Of the pigments, shape (n,); see `shadematch.studio.bend`.
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
        self.bend = np.array([p.bend for p in palette.pigments])
        self.base_absorption, self.base_scattering = palette.blend(white)
        self.weights, self.white = view.observation
        self.scattering_pigments = tuple(i for i, p in enumerate(palette.pigments) if p.scatters)
        self._around = view.surroundings

    @functools.cached_property
    def layer(self) -> Layer:
        """The layer without scattering pigments."""
        return self.layer_with(np.zeros(len(self.palette.pigments)))

    def layer_with(self, loads: FloatArray) -> Layer:
        """The layer whose scattering is that of the base and of `loads`, shape (n,)."""
        return Layer(self.scattered(loads), self.thickness_cm, self._around)

    def absorbed(self, loads: FloatArray) -> FloatArray:
        """Absorption [1/cm], shape (..., 36), of loads of shape (..., n)."""
        return np.asarray(self.base_absorption + effective(loads, self.bend) @ self.absorption)

    def scattered(self, loads: FloatArray) -> FloatArray:
        """Reduced scattering [1/cm], shape (..., 36), of loads of shape (..., n)."""
        return np.asarray(self.base_scattering + effective(loads, self.bend) @ self.scattering)

    def spectra(self, loads: FloatArray) -> FloatArray:
        """Radiance factors, shape (..., 36), of loads of shape (..., n)."""
        mu_a = self.absorbed(loads)
        if not self.scattering_pigments:
            return self.layer.value(mu_a)
        if loads.ndim == 1:
            # By the spline, as in the proved search.
            return self.layer_with(loads).value(mu_a)
        return radiance_factor(mu_a, self.scattered(loads), self.thickness_cm, self._around)

    def xyz(self, loads: FloatArray) -> FloatArray:
        """Tristimulus values, shape (..., 3)."""
        return self.spectra(loads) @ self.weights.T

    def lab(self, loads: FloatArray) -> FloatArray:
        """CIELAB, shape (..., 3)."""
        return lab_from_response(cube_root_response(self.xyz(loads), self.white)[0])

    def lab_and_slope(self, loads: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB and its Jacobian by the loads, shapes (..., 3) and (..., 3, n)."""
        mu_a = self.absorbed(loads)
        if self.scattering_pigments:
            mu_s = self.scattered(loads)
            R, by_a, by_s = reflectance(mu_a, mu_s, self.thickness_cm, self._around)
            slopes = by_a[..., None, :] * self.absorption + by_s[..., None, :] * self.scattering
        else:
            R, by_a = self.layer.evaluate(mu_a)
            slopes = by_a[..., None, :] * self.absorption
        slopes = slopes * effective_slope(loads, self.bend)[..., None]
        f, f_slope = cube_root_response(R @ self.weights.T, self.white)
        xyz_slope = np.swapaxes(slopes @ self.weights.T, -1, -2)  # (..., 3, n)
        return lab_from_response(f), LAB_FROM_RESPONSE @ (f_slope[..., None] * xyz_slope)


@functools.lru_cache(maxsize=32)
def model_for(palette: Palette, thickness_cm: float, white: float, view: View) -> Model:
    """The cached model of these conditions."""
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
    """What was given, or the defaults; a `PourError` for anything of the wrong kind."""
    palette = demo_palette() if palette is None else palette
    pour = Pour() if pour is None else pour
    view = View() if view is None else view
    expect(palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
    expect(pour, Pour, "pour", "Use Pour(...)")
    expect(view, View, "view", "Use View(...)")
    return palette, pour, view


def loads_of(doses: Mapping[str, float], palette: Palette, pour: Pour) -> FloatArray:
    """Loads in palette order [palette's unit per 100 g], shape (n,).

    Raises `UnknownNameError` for a name that the palette lacks, `PourError` for an invalid dose.
    """
    own = Recipe(palette.named(doses_of(doses, "doses")), pour, unit=palette.unit).doses

    return np.array([own.get(name, 0.0) * 100.0 / pour.batch_g for name in palette.names])


def recipe_of(
    given: Recipe | Mapping[str, float], palette: Palette, pour: Pour | None, field: str
) -> Recipe:
    """A recipe with its names as the palette spells them, in palette order.

    `given` is a `Recipe`, or doses into `pour` (by default 500 g at 1 cm in clear base).

    Raises
    ------
    UnknownNameError
        For a name that the palette lacks.
    PourError
        For an invalid dose, a recipe in another unit than the palette's, or a second, different
        pour.
    """
    if not isinstance(given, Recipe):
        given = Recipe(doses_of(given, field), Pour() if pour is None else pour, (), palette.unit)
    else:
        given = checked_recipe(given, pour, palette.unit, field)
    doses = palette.named(given.doses)
    weighed = [replace(p, let_down=spelled(p.let_down, palette)) for p in given.weighed]
    ordered = {name: doses[name] for name in palette.names if name in doses}
    return Recipe(ordered, given.pour, tuple(weighed), given.unit)


def checked_recipe(recipe: Recipe, pour: Pour | None, unit: Unit, field: str) -> Recipe:
    """The recipe; a `PourError` if it has another unit, or another pour than one given."""
    if pour is not None:
        expect(pour, Pour, "pour", "Use Pour(...)")
        if pour != recipe.pour:
            raise PourError(
                "is not the recipe's own",
                field="pour",
                value=pour,
                remedy="A Recipe has its own; leave it out, or give the doses alone",
            )
    check_unit(recipe.unit, unit, field)
    return recipe


def spelled(let_down: LetDown, palette: Palette) -> LetDown:
    """A let-down with its pigment as the palette spells it; else an `UnknownNameError`."""
    name = palette.names[palette.index(let_down.pigment)]
    if name == let_down.pigment:
        return let_down
    return let_down.model_copy(update={"pigment": name})


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
        Paste of each pigment [palette's unit], any amount from 0 on, even above the load limit; or
        a `Recipe`, which has its own pour.
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.

    Raises
    ------
    UnknownNameError, PourError
        For a name that the palette lacks, an invalid dose, a `Recipe` in another unit than the
        palette's, or a pour besides that of the `Recipe`.
    """
    palette, _, view = conditions(palette, pour, view)
    recipe = recipe_of(doses, palette, pour, "doses")
    return predict_loads(loads_of(recipe.doses, palette, recipe.pour), recipe, palette, view)


def paste_colour(name: str, palette: Palette, view: View | None = None) -> Prediction:
    """A colour to recognise a paste by: 2 cm (or g) in 100 g of clear base, 1 cm thick."""
    return predict({name: 2.0}, palette=palette, pour=Pour(batch_g=100), view=view)


def predict_loads(loads: FloatArray, recipe: Recipe, palette: Palette, view: View) -> Prediction:
    """The prediction for loads [palette's unit per 100 g], shape (n,), of a finished recipe."""
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
        xyz=triple(xyz),
        lab=triple(lab),
        hex=srgb_to_hex(rgb),
        in_srgb=bool(inside),
    )
