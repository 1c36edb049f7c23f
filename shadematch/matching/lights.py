"""A colour under several lights.

Two bars that match in daylight may part under a lamp. What can be said depends on the target: a
measured spectrum has a colour of its own in every light; a hex code, Lab or XYZ has a colour in
one light only, and is then taken to the same appearance under the others' whites (linear
Bradford adaptation), so that the figures tell how steady the bar looks, not how it compares with
a thing.

References
----------
CIE 15:2004, *Colorimetry*, section 9.2.1 (special metamerism index, change in illuminant: the
difference of two specimens under a test light, once they match under the reference light). A
match that is not perfect under the reference light is accounted for by multiplying the
tristimulus values under the test light: A. Brockes, Die Farbe 19 (1970) 135; or by adding the
difference. Section, volume and page are from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import WAVELENGTHS_NM, Observation, checked_lights, observation
from shadematch.errors import ColourError
from shadematch.matching.match import Match
from shadematch.predicting.prediction import Prediction, conditions, predict
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

Correction = Literal["multiplicative", "additive", "none"]
_BRIGHTEST: Final = 100.0
"""Radiance factor beyond any surface; keeps what is computed finite."""
_DARK: Final = 1e-6


@dataclass(frozen=True)
class UnderLight:
    """A bar and what was wanted under one light.

    Attributes
    ----------
    illuminant
        The light: a CIE name, or an `Illuminant`.
    wanted, predicted
        CIELAB relative to the white of this light.
    delta_e
        CIEDE2000 between them.
    index
        Special metamerism index in CIEDE2000 once the two are made to match under the
        reference light; None where the target is not a spectrum, and under the reference light.
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
        What was wanted.
    recipe
        What is poured.
    view
        How it is looked at; its illuminant gives way to each of the lights.
    lights
        One entry for each, in the order asked for.
    reference
        The light under which the two are made to match for the index.
    correction
        How.
    """

    target: Target
    recipe: Recipe
    view: View
    lights: tuple[UnderLight, ...]
    reference: Light
    correction: Correction

    @property
    def worst(self) -> UnderLight:
        """The light with the largest CIEDE2000."""
        return max(self.lights, key=lambda light: light.delta_e)

    @property
    def spectral(self) -> bool:
        """Whether the target is known in every light."""
        return self.target.reflectance is not None

    def __getitem__(self, illuminant: Light) -> UnderLight:
        """The entry of a light.

        Raises
        ------
        ColourError
            If it was not asked for.
        """
        for light in self.lights:
            if light.illuminant == illuminant:
                return light
        raise ColourError(
            "was not asked for",
            field="illuminant",
            value=illuminant,
            remedy=f"There are {', '.join(str(light.illuminant) for light in self.lights)}",
        )

    @property
    def note(self) -> str:
        """What the figures rest on."""
        if self.spectral:
            ways = {
                "none": "the rest not corrected",
                "additive": "the rest evened out by differences",
                "multiplicative": "the rest evened out by ratios",
            }
            return f"Metameric index: change from {self.reference}, {ways[self.correction]}."
        return (
            "The target is not a spectrum: under other lights its colour is taken to look "
            "the same. There is no metameric index."
        )

    def report(self) -> Report:
        """How far it is from what is wanted in each light."""
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
    correction: Correction = "multiplicative",
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
        What is done about a residual under the reference light: the sample's tristimulus values
        under the test light are multiplied by the ratios, or moved by the differences, of the
        two under the reference light; or nothing.

    Returns
    -------
    index, index_lab
        In CIEDE2000 and in CIELAB 1976 units. Never negative.

    Raises
    ------
    ColourError
        For an unknown light, observer or correction, or what are no radiance factors.
    """
    _check_correction(correction)
    first, second = _factors(first, "first"), _factors(second, "second")
    test, start = observation(illuminant, observer), _seen_under(reference, observer)
    one, other = test.weights @ first, test.weights @ second
    one_before, other_before = start.weights @ first, start.weights @ second
    if correction == "multiplicative":
        # A sample without any light of a kind has no ratio: it is left as it is.
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
        raise ColourError(
            "is not a correction",
            field="correction",
            value=correction,
            remedy=f"Use one of {', '.join(known)}",
        )


def _factors(given: FloatArray, field_: str) -> FloatArray:
    try:
        values = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        values = np.empty(0)
    if values.shape != WAVELENGTHS_NM.shape or not np.all((values >= 0) & (values <= _BRIGHTEST)):
        raise ColourError(
            f"needs {WAVELENGTHS_NM.size} radiance factors from 0 to {_BRIGHTEST:g}, one each "
            "10 nm from 380 to 730 nm",
            field=field_,
            value=given,
            remedy="Use shadematch.colour.standards.onto_grid for other wavelengths",
        )
    return values


def _seen_under(reference: Light, observer: str) -> Observation:
    """As `observation`, with complaints about the reference light by its own name."""
    try:
        return observation(reference, observer)
    except ColourError as found:
        field = "reference" if found.field == "illuminant" else found.field
        raise ColourError(
            found.problem, field=field, value=found.value, remedy=found.remedy
        ) from None


def lights(
    recipe: Recipe | Prediction | Match,
    target: HoldsTarget | str | None = None,
    *,
    palette: Palette | None = None,
    view: View | None = None,
    lights: Sequence[Light] = USUAL_LIGHTS,
    reference: Light = "D65",
    correction: Correction = "multiplicative",
) -> Lights:
    """How a recipe stands to a target under several lights.

    Parameters
    ----------
    recipe
        What is poured: a `Recipe`, a `Prediction`, or a `Match`, which brings its target,
        palette and view.
    target
        What is wanted; for a `Match`, by default what it was asked for.
    palette, view
        By default the demo palette (or the match's), and white paper (or the match's view). The
        view's illuminant gives way to each of `lights`.
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
        For an unknown light, or where no target is given.
    UnknownNameError
        If the palette lacks a pigment of the recipe.
    """
    if isinstance(recipe, Match):
        target = recipe.target if target is None else target
        palette = recipe.palette if palette is None else palette
        view = recipe.view if view is None else view
        recipe = recipe.recipe
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
        reference=reference,
        correction=correction,
    )
