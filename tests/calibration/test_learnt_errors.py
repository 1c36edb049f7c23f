"""How wrong the bench is, as the readings show it: base from lots that differ, levels of readings.

Readings come from another solver, with other constants (`tests.invented.worlds`).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.colour.difference import delta_e
from tests.invented import campaign, worlds


def calibrated(yellows: float, level: float) -> Calibration:
    """Of bars whose clear base, and of readings whose level, differ by so much [log units]."""
    truth = worlds.random_world(np.random.default_rng([1, 77]))
    plan = campaign.in_white(campaign.campaign(tuple(truth.absorption)))
    rng = np.random.default_rng(7)
    pours = []
    for bar in plan.pours:
        clear = (truth.clear[0] * np.exp(yellows * rng.standard_normal()), truth.clear[1])
        lot = dataclasses.replace(truth, clear=clear)
        for pour in worlds.measured(lot, campaign.Campaign((bar,)), rng):
            times = float(np.exp(level * rng.standard_normal()))
            read = tuple(None if v is None else min(v * times, 1.2) for v in pour.spectrum or ())
            pours.append(dataclasses.replace(pour, spectrum=read))
    return sm.calibrate(pours)


@pytest.mark.parametrize("yellows", [0.0, 0.8])
def test_base_that_differs_from_bar_to_bar_is_learnt_and_said(yellows: float) -> None:
    found = calibrated(yellows, 0.0)
    learnt = found._fit.problem.errors.base_share
    # Bars a centimetre thick hardly tell it: by other noise 0.2 to 0.5 are found of 0.6.
    assert 0.2 < learnt <= 0.5 if yellows else learnt < 0.1
    assert ("clear base absorbs about" in str(found)) == bool(yellows)
    assert found.warnings == ()
    thick = sm.Pour(batch_g=500, thickness_cm=4)
    ranges = [found.interval({}, pour=thick.model_copy(update={"white": w})).spread for w in (0, 1)]
    assert (ranges[0] > 2 * ranges[1]) == bool(yellows)


def test_levels_of_readings_are_taken_for_as_exact_as_they_are() -> None:
    exact, rough = (calibrated(0.0, level)._fit.problem.errors.gain for level in (0.0, 0.02))
    assert exact < 0.006
    assert rough == pytest.approx(0.01, rel=0.2)  # never more than is stated


def test_colours_alone_condemn_no_right_bar() -> None:
    """The first optimum found is a wrong one here, in which a right bar looks impossible."""
    rng = np.random.default_rng([14, 77])
    truth = worlds.random_world(rng, pigments=3)
    plan = campaign.campaign(tuple(truth.absorption))
    found = sm.calibrate(worlds.measured(truth, plan, rng, "lab", 0.4), scattering="none")
    assert found.wrong == ()
    far = []
    for doses, pour in worlds.unseen(truth, rng, 30):
        lab = worlds.lab_of(truth.spectrum(worlds.loads(doses, pour), pour))
        far.append(float(delta_e(np.array(found.interval(doses, pour=pour).lab), lab)))
    assert np.mean(far) < 1.0
