"""A measured pour of known doses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import ClassVar, Final, Literal

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM, Observation, onto_grid
from shadematch.errors import PourError, SpectrumError
from shadematch.photo.response import Response
from shadematch.studio.covariance import Covariance, checked_covariance
from shadematch.studio.pour import Pour, unusual_thickness
from shadematch.studio.recipe import Recipe, doses_of
from shadematch.studio.target import HoldsTarget, Target, as_target, measured
from shadematch.studio.unit import checked_unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, Triple
from shadematch.support.models import between, check_name, expect

__all__ = ["TestPour", "check_thickness"]

_HIGHEST: Final = 1.2
"""Radiance factors may exceed 1 a little: bright whites, noise."""
_LOWEST: Final = -0.02
_EMPTY: Final = 0.04
"""Fraction of the strongest channel below which a channel of a photo counts as empty."""
_BEYOND: Final = 0.08
"""How far below 0 it may be, as a fraction of the strongest (bars of calibrations in invented
worlds)."""
_LARGEST_DOSE: Final = 1e7


@dataclass(frozen=True)
class TestPour:
    """A measured pour of known doses.

    Make one with `from_spectrum`, `from_lab`, `from_xyz` or `from_target`.

    A bar measured twice, say over white and over black, is two test pours with one `name`, the
    same doses and pour: they share their dosing errors.

    Attributes
    ----------
    doses
        Paste of each pigment [unit], without zero doses; read-only. Empty for a blank.
    name
        Name of the bar; by default made from doses and pour.
    pour, view
        How it was made and looked at. `pour.thickness_cm` is that of the bar; `pour.batch_g`
        must be stated, since loads follow from it.
    unit
        ``"cm"`` or ``"g"`` of paste, or ``"part"`` for shares of any kind. A calibration has one
        unit; loads are per 100 g of base in each.
    spectrum
        36 radiance factors (transmittances against the light), None at wavelengths not measured;
        or None.
    lab
        CIELAB under the view's light; or None.
    covariance
        Of `lab`, 3 x 3; or None if unknown.
    response
        The camera's channels, if it was read from a photo with a chart; or None. `calibrate`
        then models the camera (`shadematch.calibration.camera`).
    """

    __test__: ClassVar[bool] = False  # not a test for pytest, despite its name

    doses: Mapping[str, float]
    name: str = ""
    pour: Pour = field(default_factory=Pour)
    view: View = field(default_factory=View)
    unit: Literal["cm", "g", "part"] = "cm"
    spectrum: tuple[float | None, ...] | None = field(default=None, repr=False)
    lab: Triple | None = None
    covariance: Covariance | None = field(default=None, repr=False)
    response: Response | None = field(default=None, repr=False)
    _weights: FloatArray | None = field(default=None, repr=False, compare=False)
    _stated: TestPour | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        expect(self.pour, Pour, "pour", "Use Pour(...)")
        if "batch_g" not in self.pour.model_fields_set:
            raise PourError(
                "must state its mass of base; loads follow from it",
                field="pour.batch_g",
                value=None,
                remedy="Give it in g, such as Pour(batch_g=500)",
            )
        expect(self.view, View, "view", "Use View(...)")
        expect(self.name, str, "name", "Give a text")
        check_name(self.name, "name")
        if not isinstance(self.unit, str) or self.unit not in ("cm", "g", "part"):
            raise PourError(
                "is not a unit", field="unit", value=self.unit, remedy="Take 'cm', 'g' or 'part'"
            )
        kept = {}
        for pigment, dose in doses_of(self.doses, "doses").items():
            if not isinstance(pigment, str) or not pigment.strip():
                raise PourError(
                    "a pigment has no name", field="doses", value=pigment, remedy="Give a text"
                )
            check_name(pigment, "doses")
            amount = between(dose, f"doses.{pigment}", 0.0, _LARGEST_DOSE, f"In {self.unit}")
            if amount:
                kept[pigment] = amount
        object.__setattr__(self, "doses", MappingProxyType(kept))
        if (self.spectrum is None) == (self.lab is None):
            raise PourError(
                "needs either a spectrum or a Lab",
                field=self.name or "test pour",
                remedy="Use TestPour.from_spectrum, from_lab, from_xyz or from_target",
            )
        if self.spectrum is not None:
            _check_spectrum(self.spectrum)
        else:
            object.__setattr__(self, "lab", _lab(self.lab))
        if self.covariance is not None:
            object.__setattr__(self, "covariance", checked_covariance(self.covariance))
        if self.response is not None:
            expect(self.response, Response, "response", "Take it from shadematch.read_photo(...)")
        if not self.name:
            object.__setattr__(self, "name", self._described())

    def __hash__(self) -> int:
        return hash((tuple(self.doses.items()), self.name, self.pour, self.view, self.lab))

    def __reduce__(self) -> tuple[object, ...]:
        # A mapping proxy can't be pickled.
        return TestPour, (
            dict(self.doses),
            self.name,
            self.pour,
            self.view,
            self.unit,
            self.spectrum,
            self.lab,
            self.covariance,
            self.response,
            self._weights,
            self._stated,
        )

    @classmethod
    def from_spectrum(
        cls,
        doses: Mapping[str, float],
        wavelengths_nm: Sequence[float] | FloatArray,
        values: Sequence[float] | FloatArray,
        *,
        name: str = "",
        pour: Pour | None = None,
        view: View | None = None,
        unit: Literal["cm", "g", "part"] = "cm",
    ) -> TestPour:
        """From a measured spectrum.

        Parameters
        ----------
        doses
            Paste of each pigment [unit].
        wavelengths_nm
            Rising [nm], covering 400 to 700 nm in steps of at most 20 nm.
        values
            Radiance factors over the view's backing, or transmittances for a view against the
            light; 0 to 1 (not percent), gloss excluded.
        name, pour, view, unit
            See the class.

        Raises
        ------
        SpectrumError, PourError
            If the spectrum or another entry can't be used.
        """
        x, y = measured(wavelengths_nm, values, "values")
        pour, view = _conditions(pour, view)
        expect(name, str, "name", "Give a text")
        grid = onto_grid(x, y, field=name or "values")
        # No extrapolation beyond half a step of the grid.
        inside = (x[0] - 5 <= WAVELENGTHS_NM) & (x[-1] + 5 >= WAVELENGTHS_NM)
        _check_values(y, name or "values")
        spectrum = tuple(float(v) if k else None for v, k in zip(grid, inside, strict=True))
        return cls(doses=doses, name=name, pour=pour, view=view, unit=unit, spectrum=spectrum)

    @classmethod
    def from_lab(
        cls,
        doses: Mapping[str, float],
        lab: Sequence[float],
        *,
        covariance: Sequence[Sequence[float]] | None = None,
        name: str = "",
        pour: Pour | None = None,
        view: View | None = None,
        unit: Literal["cm", "g", "part"] = "cm",
    ) -> TestPour:
        """From CIELAB relative to the white of the view's illuminant and observer.

        Raises
        ------
        ColourError, PourError
            If no surface can have the colour, or another entry can't be used.
        """
        pour, view = _conditions(pour, view)
        target = Target.from_lab(lab, illuminant=view.illuminant, observer=view.observer)
        return cls(
            doses=doses,
            name=name,
            pour=pour,
            view=view,
            unit=unit,
            lab=target.lab,
            covariance=None if covariance is None else checked_covariance(covariance),
        )

    @classmethod
    def from_xyz(
        cls,
        doses: Mapping[str, float],
        xyz: Sequence[float],
        *,
        name: str = "",
        pour: Pour | None = None,
        view: View | None = None,
        unit: Literal["cm", "g", "part"] = "cm",
    ) -> TestPour:
        """From tristimulus values under the view's light, Y = 100 for the perfect diffuser.

        Raises
        ------
        ColourError, PourError
            If no surface can have the colour, or another entry can't be used.
        """
        pour, view = _conditions(pour, view)
        target = Target.from_xyz(xyz, illuminant=view.illuminant, observer=view.observer)
        return cls(doses=doses, name=name, pour=pour, view=view, unit=unit, lab=target.lab)

    @classmethod
    def from_target(
        cls,
        doses: Mapping[str, float],
        target: HoldsTarget,
        *,
        name: str = "",
        pour: Pour | None = None,
        view: View | None = None,
        unit: Literal["cm", "g", "part"] = "cm",
    ) -> TestPour:
        """From a `Target` or what `shadematch.read_photo` gave, with its covariance if it has one.

        A target's spectrum is used if it has one; else the view gets the target's illuminant and
        observer. If a channel of a photo is almost empty, the true colour may lie outside what
        the photo can hold; the covariance is widened accordingly.

        Raises
        ------
        PourError
            If it is not a target, or another entry can't be used.
        """
        response = getattr(target, "response", None)
        target = as_target(target)
        pour, view = _conditions(pour, view)
        if target.reflectance is not None:
            spectrum = tuple(float(v) for v in target.reflectance)
            return cls(doses=doses, name=name, pour=pour, view=view, unit=unit, spectrum=spectrum)
        view = view.model_copy(
            update={"illuminant": target.illuminant, "observer": target.observer}
        )
        covariance = target.covariance
        if covariance is not None:
            covariance = _with_edges(target, covariance)
        return cls(
            doses=doses,
            name=name,
            pour=pour,
            view=view,
            unit=unit,
            lab=target.lab,
            covariance=covariance,
            response=response,
        )

    @property
    def stated(self) -> TestPour:
        """The test pour as given, before its camera was learnt."""
        return self if self._stated is None else self._stated

    @property
    def observation(self) -> Observation:
        """The observer of `lab`: the view's, or the camera."""
        seen = self.view.observation
        return seen if self._weights is None else Observation(self._weights, seen.white)

    @property
    def loads(self) -> dict[str, float]:
        """Paste per mass of base [unit per 100 g]."""
        return {name: dose * 100.0 / self.pour.batch_g for name, dose in self.doses.items()}

    @property
    def lab_seen(self) -> Triple:
        """CIELAB under the view's light, from `lab` or `spectrum`."""
        if self.lab is not None:
            return self.lab
        assert self.spectrum is not None
        values = np.array([np.nan if v is None else v for v in self.spectrum])
        known = np.isfinite(values)
        filled = np.interp(WAVELENGTHS_NM, WAVELENGTHS_NM[known], values[known])
        from shadematch.colour.colorimetry import xyz_to_lab

        seen = self.observation
        lab = xyz_to_lab(seen.weights @ filled, seen.white)
        return float(lab[0]), float(lab[1]), float(lab[2])

    def _described(self) -> str:
        paste = ", ".join(f"{dose:g} {self.unit} {name}" for name, dose in self.doses.items())
        return f"{paste or 'no paste'} in {self.pour}"

    def __str__(self) -> str:
        """In plain words."""
        kind = "spectrum" if self.spectrum is not None else "Lab"
        return f"{self.name}: {self._described()}, seen {self.view} ({kind})"

    @property
    def recipe(self) -> Recipe:
        """Doses and pour.

        Raises
        ------
        PourError
            If the doses are shares.
        """
        return Recipe(self.doses, self.pour, unit=checked_unit(self.unit))


def _with_edges(target: Target, covariance: Covariance) -> Covariance:
    """A photo's covariance, widened where a channel is almost empty.

    Such a channel only gives an upper limit: the true value may be well below 0. In that direction
    the reading then hardly counts.
    """
    from shadematch.colour.colorimetry import SRGB_WHITE, adapt, lab_to_xyz, srgb_to_xyz, xyz_to_lab

    white = View(illuminant=target.illuminant, observer=target.observer).observation.white
    primaries = srgb_to_xyz(np.eye(3))  # rows: XYZ of full red, green, blue

    def linear_of(lab: Triple) -> FloatArray:
        xyz = adapt(lab_to_xyz(np.array(lab), white), white, SRGB_WHITE)
        return np.asarray(np.linalg.solve(primaries.T, xyz))

    by_camera = linear_of(getattr(target, "uncorrected", target.lab))
    linear = linear_of(target.lab)
    total = np.array(covariance)
    for channel in np.flatnonzero(by_camera < _EMPTY * by_camera.max()):
        beyond = linear.copy()
        beyond[channel] -= _BEYOND * linear.max()
        away = []
        for sign in (1.0, -1.0):  # downwards XYZ may become negative
            there = linear + sign * (beyond - linear)
            xyz = np.maximum(adapt(primaries.T @ there, SRGB_WHITE, white), 0.0)
            away.append(sign * (xyz_to_lab(xyz, white) - np.array(target.lab)))
        move = max(away, key=lambda d: float(d @ d))
        total = total + np.outer(move, move)
    return checked_covariance(total)


def _conditions(pour: Pour | None, view: View | None) -> tuple[Pour, View]:
    """The pour and view given, or the defaults."""
    pour = Pour() if pour is None else pour
    view = View() if view is None else view
    expect(pour, Pour, "pour", "Use Pour(...)")
    expect(view, View, "view", "Use View(...)")
    return pour, view


def _check_values(values: FloatArray, where: str) -> None:
    wrong = values[(values < _LOWEST) | (values > _HIGHEST)]
    if wrong.size:
        percent = wrong[0] > _HIGHEST
        raise SpectrumError(
            "must lie between 0 and 1",
            field=where,
            value=float(wrong[0]),
            remedy="Divide percentages by 100" if percent else "Repeat the dark correction",
        )


def _check_spectrum(spectrum: tuple[float | None, ...]) -> None:
    if not isinstance(spectrum, tuple) or len(spectrum) != WAVELENGTHS_NM.size:
        raise SpectrumError(
            f"needs {WAVELENGTHS_NM.size} values, None where nothing was measured",
            field="spectrum",
            remedy="Use TestPour.from_spectrum for other wavelengths",
        )
    known = [v for v in spectrum if v is not None]
    if len(known) < 10 or not all(isinstance(v, float) and math.isfinite(v) for v in known):
        problem = "needs finite numbers over the visible range"
        raise SpectrumError(problem, field="spectrum", remedy="Use TestPour.from_spectrum")
    _check_values(np.array(known), "spectrum")


def check_thickness(pour: TestPour, any_thickness: bool) -> None:
    """Refuse a bar of unusual thickness, unless that is allowed or it is a film.

    Raises
    ------
    PourError
        Naming the bar.
    """
    doubt = unusual_thickness(pour.pour.thickness_cm)
    if doubt is not None and not any_thickness and pour.unit != "part":
        raise PourError(
            f"thickness_cm {doubt}",
            field=pour.name or "test pour",
            value=pour.pour.thickness_cm,
            remedy="Give it in cm, or allow it: any_thickness=True, --any-thickness",
        )


def _lab(lab: object) -> Triple:
    return Target(lab).lab  # type: ignore[arg-type]  # refuses what is not a triple of numbers
