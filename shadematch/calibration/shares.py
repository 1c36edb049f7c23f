"""Recipes of films and paints: shares of colourants, real numbers, for a wanted colour.

Soap is dosed in whole steps into a base, and `Calibration.match` proves what it finds. Paints
have no base, and their shares sum to one; inks are weighed to any amount. Here such loads are
sought by sequential quadratic programming (D. Kraft, DFVLR-FB 88-28 (1988), as in SciPy) from
several starts, colourants being left out one by one. Nothing is proved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.calibration.forward import layers_of, look
from shadematch.calibration.intervals import Interval
from shadematch.calibration.result import Calibration
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PourError, UnknownNameError
from shadematch.studio.pour import pour_of_any_thickness
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import BoolArray, FloatArray
from shadematch.support.html import card
from shadematch.support.models import check_most, expect, is_finite, listed

__all__ = ["SharesMatch", "match_shares"]

_STARTS: Final = 6
_SLOPE_STEP: Final = 1e-5
_LEAST: Final = 1e-4
"""Part of the whole below which a share is none."""
_WORTH: Final = 0.05
"""CIEDE2000 that one more colourant must bring."""


@dataclass(frozen=True)
class SharesMatch:
    """Loads that give a colour.

    Attributes
    ----------
    loads
        Of each colourant that is used, in the unit of the calibration's loads.
    predicted
        The colour and the range that it will fall in.
    delta_e
        CIEDE2000 to the target.
    rms
        Root mean square difference from the target's spectrum, at the wavelengths that the test
        pours were measured at; None if the target has no spectrum.
    """

    loads: dict[str, float]
    predicted: Interval
    delta_e: float
    rms: float | None

    def __str__(self) -> str:
        """In plain words."""
        parts = ", ".join(f"{load:.4g} {name}" for name, load in self.loads.items())
        text = f"{parts}: CIEDE2000 {self.delta_e:.2f} to the target (not proved the closest)"
        return text if self.rms is None else f"{text}, spectra within {self.rms:.4f} (rms)"

    def _repr_html_(self) -> str:
        rows = [(name, f"{load:.4g}") for name, load in self.loads.items()]
        rows.append(("CIEDE2000", f"{self.delta_e:.2f}, not proved the closest"))
        rows.append(("range", str(self.predicted)))
        return card([(self.predicted.hex, "predicted")], rows)


def match_shares(
    calibration: Calibration,
    target: HoldsTarget | str,
    *,
    total: float | None = None,
    view: View | None = None,
    thickness_cm: float = 1.0,
    pigments: Sequence[str] | None = None,
    max_pigments: int | None = None,
    by_spectrum: bool = False,
) -> SharesMatch:
    """Loads, real numbers, that come close to a colour or a spectrum.

    Parameters
    ----------
    calibration
        Of films; or of anything else whose doses are in parts, a binder that was measured by
        itself being what the loads go into.
    target
        The wanted colour.
    total
        What the loads sum to, such as 1 for paints given in shares; None leaves it free, up to
        the largest that was measured.
    view
        By default D65 on white paper, in the contact that the readings showed.
    thickness_cm
        In the unit of the test pours' thickness.
    pigments
        Which colourants to choose from, each once; by default all.
    max_pigments
        How many at most.
    by_spectrum
        Whether to come close to the target's spectrum instead of its colour.

    Raises
    ------
    PourError, UnknownNameError
        If an entry is out of range, or the calibration is of soap.
    """
    expect(calibration, Calibration, "calibration", "Use calibrate(...)")
    goal = as_target(target)
    if not calibration.films and calibration.unit != "part":
        raise PourError(
            "is of soap, which is dosed into a base",
            field="calibration",
            value=", ".join(calibration.pigments),
            remedy="Use its match(...)",
        )
    if by_spectrum and goal.reflectance is None:
        raise PourError(
            "has no spectrum",
            field="target",
            value=str(goal),
            remedy="Use Target.from_reflectance, or match its colour",
        )
    if isinstance(pigments, str):
        pigments = (pigments,)
    names = calibration.pigments
    if pigments is not None:
        names = tuple(dict.fromkeys(listed(pigments, "pigments", "Give the names")))
    for name in names:
        if name not in calibration.pigments:
            there = ", ".join(calibration.pigments)
            raise UnknownNameError(
                "was not calibrated", field="pigments", value=name, remedy=f"There are {there}"
            )
    _checked(total, max_pigments, len(names))
    search = _Search(
        calibration=calibration,
        goal=goal,
        names=names,
        total=total,
        view=view,
        thickness_cm=thickness_cm,
        by_spectrum=by_spectrum,
    )
    best = _fewest(search, max_pigments or len(names))
    loads = {n: float(x) for n, x in zip(names, best, strict=True) if x > 0}
    pour = pour_of_any_thickness(thickness_cm)
    predicted = calibration.interval(loads, pour=pour, view=view, target=goal, dosing=True)
    rms = None
    if goal.reflectance is not None:
        away = (predicted.reflectance - goal.reflectance)[search.measured]
        rms = float(np.sqrt(np.mean(away**2)))
    assert predicted.delta_e is not None
    return SharesMatch(loads, predicted, predicted.delta_e, rms)


def _checked(total: float | None, max_pigments: int | None, count: int) -> None:
    if total is not None and (not is_finite(total) or not 0 < total < 1e7):
        raise PourError(
            "must be a number above 0",
            field="total",
            value=total,
            remedy="1 for shares, 100 for percentages",
        )
    check_most(max_pigments)
    if count < 1:
        raise PourError("there are none", field="pigments", remedy="Name some")


class _Search:
    """How far mixtures are from the target; loads as multiples of `unit`."""

    def __init__(
        self,
        calibration: Calibration,
        goal: Target,
        names: tuple[str, ...],
        total: float | None,
        view: View | None,
        thickness_cm: float,
        by_spectrum: bool,
    ) -> None:
        problem = calibration._fit.problem
        self.names, self.total, self.calibration = names, total, calibration
        self.view = calibration._met(view or View())
        self.goal_lab = goal.lab_in(self.view)
        self.goal_spectrum = goal.reflectance if by_spectrum else None
        self.measured = _measured(calibration)
        pour = pour_of_any_thickness(thickness_cm)
        self.layer = layers_of(
            [({}, pour, self.view)], problem.unknowns, problem.pigments, problem.errors
        )
        self.place = [problem.pigments.index(n) for n in names]
        poured = calibration._largest_loads
        self.unit = np.array([poured[n] if total is None else total for n in names])

    def far(self, shares: FloatArray) -> FloatArray:
        """Distances of mixtures of shape (m, n), shape (m,)."""
        problem = self.calibration._fit.problem
        count, one = len(shares), self.layer
        loads = np.zeros((count, len(problem.pigments)))
        loads[:, self.place] = np.maximum(shares, 0.0) * self.unit
        layers = one._replace(
            base=np.repeat(one.base, count, axis=0),
            loads=loads,
            dose_sd=np.zeros_like(loads),
            thickness=np.repeat(one.thickness, count),
            mode=one.mode * count,
            backing=np.repeat(one.backing, count, axis=0),
            backing_by=np.repeat(one.backing_by, count, axis=0),
        )
        spectra = look(
            self.calibration._fit.theta, problem.unknowns, problem.pigments, layers, problem.errors
        ).spectrum
        if self.goal_spectrum is not None:
            away = (spectra - self.goal_spectrum)[:, self.measured]
            return np.asarray(100.0 * np.sqrt(np.mean(away**2, axis=1)))
        seen = self.view.observation
        labs = xyz_to_lab(np.maximum(spectra, 0.0) @ seen.weights.T, seen.white)
        return np.asarray(delta_e(labs, self.goal_lab))

    def solve(self, allowed: FloatArray, start: FloatArray) -> tuple[FloatArray, float]:
        """The best shares near a start, of the colourants that `allowed` marks."""
        from scipy.optimize import LinearConstraint, minimize

        at = np.flatnonzero(allowed)

        def value_and_slope(x: FloatArray) -> tuple[float, FloatArray]:
            points = np.zeros((at.size + 1, len(self.names)))
            points[:, at] = x
            points[np.arange(at.size) + 1, at] += _SLOPE_STEP
            squares = self.far(points) ** 2
            return float(squares[0]), (squares[1:] - squares[0]) / _SLOPE_STEP

        limits = LinearConstraint(np.ones((1, at.size)), 1.0, 1.0)
        found = minimize(
            value_and_slope,
            start[at],
            jac=True,
            method="SLSQP",
            bounds=[(0.0, 1.0)] * at.size,
            constraints=[] if self.total is None else [limits],
            options={"maxiter": 60, "ftol": 1e-7},
        )
        shares = np.zeros(len(self.names))
        shares[at] = np.where(found.x > _LEAST, np.minimum(found.x, 1.0), 0.0)
        if self.total is not None:
            shares /= max(shares.sum(), 1e-12)
        return shares, float(self.far(shares[None])[0])


def _measured(calibration: Calibration) -> BoolArray:
    """Wavelengths of which the test pours tell something, shape (36,)."""
    spectra = [p.spectrum for p in calibration._taught_by if p.spectrum is not None]
    if not spectra:
        return np.ones(WAVELENGTHS_NM.size, dtype=bool)
    return np.asarray([any(s[w] is not None for s in spectra) for w in range(WAVELENGTHS_NM.size)])


def _fewest(search: _Search, most: int) -> FloatArray:
    """The best of several starts, then colourants left out as long as little is lost."""
    count = len(search.names)
    rng = np.random.default_rng(7)
    starts = [np.full(count, 1.0 / count), *rng.dirichlet(np.full(count, 0.5), _STARTS - 1)]
    every = np.ones(count)
    best, far = min((search.solve(every, s) for s in starts), key=lambda t: t[1])
    while np.count_nonzero(best) > 1:
        used = np.flatnonzero(best)
        tries = []
        for leave in used:
            allowed = np.zeros(count)
            allowed[used] = 1.0
            allowed[leave] = 0.0
            start = best * allowed
            if search.total is not None:
                total = start.sum()
                start = start / total if total > 0 else allowed / allowed.sum()
            tries.append(search.solve(allowed, start))
        fewer, further = min(tries, key=lambda t: t[1])
        if used.size <= most and further > far + _WORTH:
            break
        best, far = fewer, further
    return np.asarray(best * search.unit)
