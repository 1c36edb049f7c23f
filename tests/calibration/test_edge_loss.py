"""What an instrument does not read, leaving by the sides of a bar, and the gloss that it does."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from tests.bench.pastes import Real
from tests.invented import campaign, worlds

NAMES = ("A", "B", "C")


@functools.cache
def truth(edge: float) -> Real:
    """Layers by iadpython; a share `edge` of what came back through 1 cm is lost."""
    drawn = worlds.random_world(np.random.default_rng([6, 77]), pigments=3)
    plain = {f: getattr(drawn, f) for f in ("clear", "white", "absorption", "scattering")}
    return Real(**plain, edge=edge)


@functools.cache
def learnt(edge: float, gloss: float = 0.0) -> Calibration:
    rng = np.random.default_rng(3)
    pours = []
    for p in campaign.in_white(campaign.campaign(NAMES)).pours:
        for view, read in zip(p.views, truth(edge).bar(p.doses, p.pour, rng, p.views), strict=True):
            about = {"name": p.name, "pour": p.pour, "view": view}
            pours.append(sm.TestPour.from_spectrum(p.doses, NM, read + gloss, **about))
    return sm.calibrate(pours, scattering="none")


def loss(found: Calibration) -> float:
    unknowns = found._fit.problem.unknowns
    at = [k for k, u in enumerate(unknowns) if u.kind == "edge loss"]
    return float(found._fit.theta[at[0], 0]) if at else 0.0


@pytest.mark.parametrize("edge", [0.1, 0.2])
def test_it_is_learnt_from_clear_over_white_and_black(edge: float) -> None:
    found = learnt(edge)
    assert loss(found) == pytest.approx(-np.log(1 - edge), abs=0.04)
    assert "leaves by the sides" in str(found)
    far, inside = [], []
    rng = np.random.default_rng(4)
    for doses, pour in worlds.unseen(truth(edge), rng, 40):
        lab = worlds.lab_of(truth(edge).spectrum(worlds.loads(doses, pour), pour))
        interval = found.interval(doses, pour=pour)
        far.append(float(delta_e(np.array(interval.lab), lab)))
        (read,) = truth(edge).bar(doses, pour, rng)
        inside.append(interval.contains(tuple(worlds.lab_of(read).tolist())))
    assert np.quantile(far, 0.95) <= 1.2
    assert np.mean(inside) >= 0.8


def test_where_none_is_lost_none_is_found() -> None:
    assert loss(learnt(0.0)) == 0.0
    assert "sides" not in str(learnt(0.0))


def test_the_eye_sees_what_the_instrument_loses() -> None:
    # A palette is for the eye: there all light counts, as in a world without any loss.
    found, bright = learnt(0.2), truth(0.0)
    pour, doses = sm.Pour(batch_g=500, thickness_cm=3.0), {"A": 1.0}
    read = found.interval(doses, pour=pour)
    seen = found.interval(doses, pour=pour, measurement=False)
    exact = worlds.lab_of(bright.spectrum(worlds.loads(doses, pour), pour))
    assert read.lab[0] < seen.lab[0] - 3.0
    assert float(delta_e(np.array(seen.lab), exact)) < 2.0
    same = sm.predict(doses, palette=found.palette, pour=pour, view=found.view())
    assert seen.lab == pytest.approx(same.lab, abs=0.02)


@pytest.mark.parametrize("edge", [0.0, 0.1])
def test_gloss_in_the_readings_is_found(edge: float) -> None:
    # All of what 1.5 reflects, ((1.5 - 1) / (1.5 + 1))^2, is read along.
    found = learnt(edge, 0.04)
    assert "gloss" in str(found)
    assert loss(found) == pytest.approx(-np.log(1 - edge), abs=0.04)
    pour, rng = sm.Pour(batch_g=500), np.random.default_rng(5)
    for name in NAMES:
        doses = {name: 1.0 + 6.0 * rng.random()}
        exact = truth(0.0).spectrum(worlds.loads(doses, pour), pour)
        seen = found.interval(doses, pour=pour, measurement=False)
        assert float(delta_e(np.array(seen.lab), worlds.lab_of(exact))) < 1.5
        shown = worlds.lab_of(truth(edge).spectrum(worlds.loads(doses, pour), pour) + 0.04)
        read = found.interval(doses, pour=pour)
        assert float(delta_e(np.array(read.lab), shown)) < 1.5
    assert "gloss" not in str(learnt(edge))


def test_it_is_kept(tmp_path) -> None:  # type: ignore[no-untyped-def]
    found = learnt(0.1)
    sm.save(found, tmp_path / "c.json")
    again = sm.read(tmp_path / "c.json")
    doses, pour = {"B": 2.0}, sm.Pour(batch_g=500, thickness_cm=2.0)
    assert again.interval(doses, pour=pour) == found.interval(doses, pour=pour)
    assert dataclasses.replace(again).palette == found.palette
