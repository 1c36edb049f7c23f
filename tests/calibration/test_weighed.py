"""Test pours by weight, and what is learnt from them."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.matching.match import Match
from tests.invented import worlds
from tests.invented.campaign import campaign

NAMES = ("gorse", "jetty")


@functools.cache
def learnt() -> Calibration:
    """Two pastes of an invented world whose constants are per g, weighed to 0.05 g."""
    truth = worlds.random_world(np.random.default_rng(6), pigments=2, names=NAMES)  # type: ignore[arg-type]
    plan = campaign(NAMES, unit="g", g_per_cm=1.0)
    rng = np.random.default_rng(7)
    return sm.calibrate(worlds.measured(truth, plan, rng, dosing_cm=0.05), scattering="none")


def test_what_is_learnt_in_g_is_matched_in_g(tmp_path: Path) -> None:
    found = learnt()
    assert (found.unit, found.palette.unit) == ("g", "g")
    pour = sm.Pour(batch_g=500, dose_step=0.1, max_load=3)
    match = found.match("#b09060", pour=pour)
    assert type(match) is Match and match.recipe.unit == "g"
    ranged = found.interval(match.recipe, target=match.target)
    assert ranged.contains(match.predicted.lab)
    sm.save(match, tmp_path / "m.json")
    assert sm.read(tmp_path / "m.json").recipe == match.recipe
    sm.save(found, tmp_path / "c.json")
    assert sm.read(tmp_path / "c.json").palette == found.palette
    with pytest.raises(sm.PourError, match="doses: is in cm, and the palette's doses are in g"):
        found.interval(sm.Recipe({"gorse": 2}, pour))


def test_tubes_are_taken_over_in_one_unit_only() -> None:
    pours = learnt().pours
    with pytest.raises(sm.PourError, match="like: is in cm, and the pours' doses are in g"):
        sm.calibrate(pours, like=sm.demo_palette())


def test_a_test_pour_of_shares_is_no_recipe() -> None:
    weighed = learnt().pours[-1]
    assert weighed.recipe.unit == "g" and weighed.recipe.doses == weighed.doses
    share = sm.TestPour(
        {"a": 0.3}, "film", sm.Pour(batch_g=100), sm.View(), "part", lab=(50, 10, 10)
    )
    with pytest.raises(sm.PourError, match="unit: must be 'cm' or 'g'"):
        share.recipe  # noqa: B018
