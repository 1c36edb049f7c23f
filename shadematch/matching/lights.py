"""A colour under several lights.

Two bars that match in daylight may differ under a lamp. A target with a measured spectrum has a
colour in every light. A hex code, Lab or XYZ is known in one light; in others it is taken to have
the same appearance (linear Bradford adaptation), so the figures show how constant the bar looks,
not how it compares with an object.

References
----------
CIE 15:2004, *Colorimetry*, section 9.2.1 (special metamerism index, change in illuminant: the
difference of two specimens under a test light, once they match under the reference light). An
imperfect match under the reference light is corrected by multiplying the tristimulus values under
the test light: A. Brockes, Die Farbe 19 (1970) 135; or by adding the difference. Section, volume
and page are from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import WAVELENGTHS_NM, Observation, checked_lights, observation
from shadematch.errors import ColourError
from shadematch.matching.match import Match
from shadematch.predicting.prediction import Prediction, conditions, predict
from shadematch.predicting.spread import Spread, spread
from shadematch.studio.palette import Palette
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["USUAL_LIGHTS", "Lights", "UnderLight", "lights", "metameric_index"]

USUAL_LIGHTS: Final = ("D65", "A", "FL11", "LED-B3")
"""Daylight, a filament lamp, a fluorescent lamp with three bands, a white LED of 4100 K."""

MetamericCorrection = Literal["multiplicative", "additive", "none"]
_BRIGHTEST: Final = 100.0
"""Radiance factor beyond any surface; keeps results finite."""
_DARK: Final = 1e-6


@dataclass(frozen=True)
class UnderLight:
    """A bar and its target under one light.

    Attributes
    ----------
    illuminant
        The light: a CIE name, or an `Illuminant`.
    wanted, predicted
        CIELAB relative to the white of this light.
    delta_e
        CIEDE2000 between them.
    index
        Special metamerism index in CIEDE2000, with the match under the reference light
        corrected; None under the reference light, and for a target without a spectrum.
    index_lab
        The same in CIELAB 1976 units, as older papers give it.
    """

    illuminant: Light
    wanted: tuple[float, float, float]
    predicted: tuple[float, float, float]
    delta_e: float
    index: float | None = None
    index_lab: float | None = None


@dataclass(frozen=True)
class Lights(Reported):
    """A bar under several lights.

    Attributes
    ----------
    target
        The wanted colour.
    recipe
        The recipe.
    view
        How it is looked at; each of the lights replaces its illuminant.
    lights
        One entry for each light, in the order given.
    spread
        How far the recipe may be from the target, the worst of these lights.
    reference, correction
        Reference light and correction of the index; see `metameric_index`.
    """

    target: Target
    recipe: Recipe
    view: View
    lights: tuple[UnderLight, ...]
    spread: Spread = field(repr=False)
    reference: Light
    correction: MetamericCorrection

    @property
    def worst(self) -> UnderLight:
        """The light with the largest CIEDE2000."""
        return max(self.lights, key=lambda light: light.delta_e)

    @property
    def spectral(self) -> bool:
        """Whether the target has a spectrum."""
        return self.target.reflectance is not None

    def __getitem__(self, illuminant: Light) -> UnderLight:
        """The entry of a light.

        Raises
        ------
        ColourError
            If there is none.
        """
        for light in self.lights:
            if light.illuminant == illuminant:
                return light
        raise ColourError(
            "is not one of these lights",
            field="illuminant",
            value=illuminant,
            remedy=f"There are {', '.join(str(light.illuminant) for light in self.lights)}",
        )

    @property
    def note(self) -> str:
        """What the figures are based on, in words."""
        if self.spectral:
            ways = {
                "none": "without correction",
                "additive": "corrected by differences",
                "multiplicative": "corrected by ratios",
            }
            return f"Metameric index: change from {self.reference}, {ways[self.correction]}."
        return (
            "The target has no spectrum: its colour is taken to look the same under other "
            "lights, and there is no metameric index."
        )

    def report(self) -> Report:
        """CIEDE2000 to the target in each light."""
        swatches = [Swatch.of(self.target, "wanted")]
        for light in dict.fromkeys((self.lights[0], self.worst)):
            at = Target(light.predicted, light.illuminant, self.view.observer)
            swatches.append(Swatch.of(at, f"under {light.illuminant}"))
        return Report(
            swatches=tuple(swatches),
            rows=(
                *self.recipe.rows,
                Row("wanted", str(self.target)),
                *(
                    Row(
                        str(light.illuminant),
                        f"CIEDE2000 {light.delta_e:.2f}",
                        note="" if light.index is None else f"metameric index {light.index:.2f}",
                    )
                    for light in self.lights
                ),
                *self.spread.within_rows,
            ),
            notes=(self.note,),
        )


def metameric_index(
    first: FloatArray,
    second: FloatArray,
    *,
    illuminant: Light = "A",
    reference: Light = "D65",
    observer: str = "2",
    correction: MetamericCorrection = "multiplicative",
) -> tuple[float, float]:
    """Special metamerism index, change in illuminant.

    Parameters
    ----------
    first, second
        Radiance factors at the library's wavelengths, shape (36,): the standard and the sample.
    illuminant, reference
        Test and reference light.
    observer
        ``"2"`` or ``"10"`` degrees.
    correction
        How a difference under the reference light is corrected: the sample's tristimulus values
        under the test light are multiplied by the ratios, or shifted by the differences, of the
        two under the reference light; or not at all.

    Returns
    -------
    index, index_lab
        In CIEDE2000 and in CIELAB 1976 units. Never negative.

    Raises
    ------
    ColourError
        For an unknown light, observer or correction, or values that are not radiance factors.
    """
    _check_correction(correction)
    first, second = _factors(first, "first"), _factors(second, "second")
    test, start = observation(illuminant, observer), _seen_under(reference, observer)
    one, other = test.weights @ first, test.weights @ second
    one_before, other_before = start.weights @ first, start.weights @ second
    if correction == "multiplicative":
        # Where the sample is black there is no ratio: leave it.
        ratio = np.divide(
            one_before, other_before, out=np.ones(3), where=np.abs(other_before) > _DARK
        )
        other = other * ratio
    elif correction == "additive":
        other = other + (one_before - other_before)
    a, b = xyz_to_lab(one, test.white), xyz_to_lab(other, test.white)
    return float(delta_e(a, b)), float(np.linalg.norm(a - b))


def _check_correction(correction: object) -> None:
    known = ("multiplicative", "additive", "none")
    if not isinstance(correction, str) or correction not in known:
        problem, remedy = "is not a correction", f"Use one of {', '.join(known)}"
        raise ColourError(problem, field="correction", value=correction, remedy=remedy)


def _factors(given: FloatArray, field_: str) -> FloatArray:
    try:
        values = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        values = np.empty(0)
    if values.shape != WAVELENGTHS_NM.shape or not np.all((values >= 0) & (values <= _BRIGHTEST)):
        raise ColourError(
            f"needs {WAVELENGTHS_NM.size} radiance factors from 0 to {_BRIGHTEST:g}, every "
            "10 nm from 380 to 730 nm",
            field=field_,
            value=given,
            remedy="Use shadematch.colour.standards.onto_grid for other wavelengths",
        )
    return values


def _seen_under(reference: Light, observer: str) -> Observation:
    """`observation`, with errors about the field `reference`."""
    try:
        return observation(reference, observer)
    except ColourError as found:
        field = "reference" if found.field == "illuminant" else found.field
        raise found.at(field) from None


def lights(
    recipe: Recipe | Prediction | Match,
    target: HoldsTarget | str | None = None,
    *,
    palette: Palette | None = None,
    view: View | None = None,
    lights: Sequence[Light] = USUAL_LIGHTS,
    reference: Light = "D65",
    correction: MetamericCorrection = "multiplicative",
) -> Lights:
    """Compare a recipe with a target under several lights.

    Parameters
    ----------
    recipe
        A `Recipe`, a `Prediction` (used with its view), or a `Match` (used with its target,
        palette and view).
    target
        The wanted colour; by default that of the `Match`.
    palette, view
        By default those of the match, or the demo palette and white paper. Each of `lights`
        replaces the view's illuminant.
    lights
        CIE names, or an `Illuminant` with its own spectrum.
    reference, correction
        For the metameric index; see `metameric_index`.

    Returns
    -------
    Lights

    Raises
    ------
    ColourError
        For an unknown light or correction, or without a target.
    UnknownNameError
        If the palette lacks a pigment of the recipe.
    """
    dose_slip = scale_g = None
    if isinstance(recipe, Match):
        target = recipe.target if target is None else target
        palette = recipe.palette if palette is None else palette
        view = recipe.view if view is None else view
        (dose_slip, scale_g), recipe = recipe.readings, recipe.recipe
    elif isinstance(recipe, Prediction):
        view = recipe.view if view is None else view
        recipe = recipe.recipe
    expect(recipe, Recipe, "recipe", "Give a Recipe, a Prediction or a Match")
    if target is None:
        raise ColourError(
            "is missing", field="target", remedy="Give a Target, a hex code, or a Match as recipe"
        )
    goal = as_target(target)
    names = checked_lights(lights, field="lights")
    if not names:
        raise ColourError(
            "must name at least one light",
            field="lights",
            value=lights,
            remedy="Give names such as 'D65', 'A', 'FL11', 'LED-B3'",
        )
    palette, _, view = conditions(palette, None, view)
    _seen_under(reference, view.observer)
    _check_correction(correction)
    bar = predict(recipe, palette=palette, view=view)
    entries = []
    for name in names:
        seen = view.model_copy(update={"illuminant": name})
        observed = seen.observation
        wanted = goal.lab_in(seen)
        predicted = xyz_to_lab(observed.weights @ bar.reflectance, observed.white)
        index = index_lab = None
        if goal.reflectance is not None and name != reference:
            index, index_lab = metameric_index(
                goal.reflectance,
                bar.reflectance,
                illuminant=name,
                reference=reference,
                observer=view.observer,
                correction=correction,
            )
        entries.append(
            UnderLight(
                illuminant=name,
                wanted=triple(wanted),
                predicted=triple(predicted),
                delta_e=float(delta_e(predicted, wanted)),
                index=index,
                index_lab=index_lab,
            )
        )
    return Lights(
        target=goal,
        recipe=bar.recipe,
        view=view,
        lights=tuple(entries),
        spread=spread(
            bar.recipe,
            palette=palette,
            view=view,
            dose_slip=dose_slip,
            scale_g=scale_g,
            target=goal,
            lights=names,
        ),
        reference=reference,
        correction=correction,
    )
