"""A new tube of a known paste: how strong it is, from one or two pours."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from shadematch.calibration.camera import as_seen, cameras_of, with_cameras
from shadematch.calibration.fit import fit
from shadematch.calibration.problem import Prior, Problem
from shadematch.calibration.result import Before, Calibration
from shadematch.calibration.spectra import Belief, belief_covariance
from shadematch.calibration.test_pour import TestPour, check_thickness
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PourError, UnknownNameError
from shadematch.studio.pour import Pour
from shadematch.support.arrays import FloatArray
from shadematch.support.models import expect, listed
from shadematch.support.report import Report, Reported, Row

__all__ = ["NewLot", "new_lot", "prior_of_lot"]

_STRENGTH_SD: Final = 0.3
"""How far lots are believed to differ in strength [natural log] (estimate)."""
_SHIFT: Final = Belief(0.0, 0.0, 0.15, 80.0)
"""... and in the shape of their absorption, if asked."""
_VISIBLE: Final = 1.0
"""CIEDE2000 above which a difference is called visible (common practice, no source)."""
_LOADS: Final = (0.5, 1.0, 2.0)


@dataclass(frozen=True)
class NewLot(Reported):
    """How a new tube differs from the old.

    Attributes
    ----------
    pigment
        Its name.
    strength, strength_sd
        Strength as a multiple of the old, and its relative standard deviation.
    delta_e
        Largest CIEDE2000 between old and new at loads around the usual, 1 cm thick in clear
        base on white paper.
    visible
        Whether that is more than 1, and the strength is known well enough to say so.
    calibration
        The calibration with the new lot in it.
    """

    pigment: str
    strength: float
    strength_sd: float
    delta_e: float
    visible: bool
    calibration: Calibration = field(repr=False, compare=False)

    @property
    def sentence(self) -> str:
        """What follows, in words."""
        if self.visible:
            return "The difference is visible: use the new calibration."
        return "No visible difference is proved."

    def report(self) -> Report:
        """How strong it is, and whether that shows."""
        low, high = (self.strength * np.exp(k * 1.645 * self.strength_sd) for k in (-1, 1))
        strong = f"{self.pigment}: {self.strength:.2f} times as strong as the old lot"
        return Report(
            rows=(
                Row("strength", strong, range=f"90 %: {low:.2f} to {high:.2f}"),
                Row("known to", f"{self.strength_sd:.0%}"),
                Row("CIEDE2000", f"up to {self.delta_e:.1f} at the same doses"),
            ),
            notes=(self.sentence,),
            cautions=False,
        )


def new_lot(
    calibration: Calibration,
    pigment: str,
    test_pours: Iterable[TestPour],
    *,
    hue_shift: bool = False,
    any_thickness: bool = False,
) -> NewLot:
    """Update one pigment from pours of a new tube.

    Parameters
    ----------
    calibration
        Of the old lot; all that it knows is kept, with its uncertainty.
    pigment
        Which paste is new.
    test_pours
        One or two pours with it, in the calibration's unit. Best a light and a deep one in
        clear base over white.
    hue_shift
        Whether the shape of its absorption may have changed too. That takes spectra, or
        several pours.
    any_thickness
        As for `calibrate`.

    Raises
    ------
    UnknownNameError, PourError
        If the pigment is not in the calibration or in the pours, or a pour holds something that
        was not calibrated.
    """
    expect(calibration, Calibration, "calibration", "Use calibrate(...)")
    expect(hue_shift, bool, "hue_shift", "Give True or False")
    expect(any_thickness, bool, "any_thickness", "Give True or False")
    if not isinstance(pigment, str) or pigment not in calibration.pigments:
        raise UnknownNameError(
            "was not calibrated",
            field="pigment",
            value=pigment,
            remedy=f"There are {', '.join(calibration.pigments)}",
        )
    pours = listed(test_pours, "test_pours", "Give a list of TestPour")
    for pour in pours:
        expect(pour, TestPour, "test_pours", "Use TestPour.from_spectrum, from_lab, ...")
        check_thickness(pour, any_thickness)
        calibration._conditions(pour.pour, pour.view)
        calibration._check_doses(pour.doses)
        if pour.unit != calibration.unit:
            raise PourError(
                "doses are in another unit than the calibration's",
                field="unit",
                value=pour.unit,
                remedy=f"Give them in {calibration.unit}",
            )
    if not any(pigment in p.doses for p in pours):
        raise PourError(
            "no pour holds the pigment",
            field="test_pours",
            value=pigment,
            remedy="Pour it in clear base and measure it over white",
        )
    pours = tuple(replace(p, view=calibration._met(p.view)) for p in pours)
    old = calibration._fit
    unknowns = old.problem.unknowns
    n = WAVELENGTHS_NM.size
    own = [k for k, u in enumerate(unknowns) if u.of == pigment and u.kind.startswith("pigment")]
    prior = prior_of_lot(calibration, pigment, hue_shift)
    cameras = cameras_of(pours, calibration.pours)
    problem = Problem(
        pours=as_seen(pours, cameras),
        unknowns=unknowns,
        pigments=old.problem.pigments,
        errors=old.problem.errors,
        noise=old.problem.noise,
        weights=np.ones(len(pours)),
        scale=old.problem.scale,
    )
    found = with_cameras(fit(problem, prior), cameras)
    new = Calibration(
        pours=pours,
        unit=calibration.unit,
        films=calibration.films,
        contact=calibration.contact,
        like=calibration.like,
        _fit=found,
        _before=Before(calibration, pigment, hue_shift),
    )
    at = own[0]
    weight = np.exp(old.theta[at] - old.theta[at].max())
    weight = weight / weight.sum()
    rows = slice(at * n, (at + 1) * n)
    # The old strength and its error are shared by both: what counts is the change alone.
    change = float(weight @ (found.theta[at] - old.theta[at]))
    sd = _change_sd(weight, old.covariance[rows, rows], found.covariance[rows, rows])
    largest = _difference(calibration, new, pigment)
    sure = abs(change) > 1.645 * sd or hue_shift
    return NewLot(
        pigment=pigment,
        strength=float(np.exp(change)),
        strength_sd=sd,
        delta_e=largest,
        visible=largest > _VISIBLE and sure,
        calibration=new,
    )


def prior_of_lot(calibration: Calibration, pigment: str, hue_shift: bool) -> Prior:
    """What is believed of a new tube: the old calibration, one strength known less well."""
    old = calibration._fit
    n = WAVELENGTHS_NM.size
    covariance = old.covariance.copy()
    together = np.zeros(covariance.shape[0])
    for k, u in enumerate(old.problem.unknowns):
        if u.of == pigment and u.kind.startswith("pigment"):
            rows = slice(k * n, (k + 1) * n)
            together[rows] = 1.0
            if hue_shift:
                covariance[rows, rows] += belief_covariance(_SHIFT)
    covariance += _STRENGTH_SD**2 * np.outer(together, together)
    covariance += 1e-10 * np.eye(covariance.shape[0])
    precision = np.linalg.inv(covariance)
    log_det = -float(np.linalg.slogdet(covariance)[1])
    return Prior(old.theta, 0.5 * (precision + precision.T), log_det)


def _change_sd(weight: FloatArray, old: FloatArray, new: FloatArray) -> float:
    """Standard deviation of a change of strength, at worst as if old and new were unrelated."""
    return float(np.sqrt(max(float(weight @ (old + new) @ weight), 0.0)))


def _difference(old: Calibration, new: Calibration, pigment: str) -> float:
    """Largest CIEDE2000 between two lots at the same loads."""
    pour = Pour(batch_g=100)
    poured = [p.loads[pigment] for p in new.pours if pigment in p.doses]
    loads = _LOADS if old.unit == "cm" else tuple(poured)
    far = []
    for load in loads:
        first, second = (c.interval({pigment: load}, pour=pour).lab for c in (old, new))
        far.append(float(delta_e(np.array(first), np.array(second))))
    return max(far)
