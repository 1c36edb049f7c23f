"""Test pours in a further base: read from a file, and learnt (layers by another solver)."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.left_out import left_out
from shadematch.calibration.result import Calibration
from shadematch.colour.difference import delta_e
from tests.invented import worlds
from tests.invented.bases import BROWN
from tests.invented.campaign import Campaign, Planned, campaign

NAMES = ("gorse", "jetty", "dusk")
IN_BASE = sm.Pour(batch_g=500, base=BROWN)


@functools.cache
def world() -> worlds.World:
    made = worlds.random_world(np.random.default_rng(11), pigments=3)
    own = dict(zip(NAMES, made.absorption.values(), strict=True))
    return worlds.browned(dataclasses.replace(made, absorption=own), BROWN)


@functools.cache
def calibrated() -> Calibration:
    bars = (Planned("brown", {}, IN_BASE), Planned("mixed", {"gorse": 5.0}, IN_BASE))
    plan = Campaign((*campaign(NAMES).pours, *bars))
    pours = worlds.measured(world(), plan, np.random.default_rng(12))
    return sm.calibrate(pours, scattering="none")


def test_a_base_is_learnt_with_the_others() -> None:
    found = calibrated()
    assert found.bases == (BROWN,) and found.palette.base_names == ("clear", BROWN)
    truth = world().bases[BROWN][0]
    values, sd = found.spectrum(BROWN)
    assert np.allclose(values[7:25], truth[7:25], rtol=0.3) and np.all(sd[7:25] < 0.4)
    far = []
    for doses, pour in worlds.unseen(world(), np.random.default_rng(3), 12):
        there = pour.model_copy(update={"base": BROWN})
        seen = worlds.lab_of(world().spectrum(worlds.loads(doses, there), there))
        lab = sm.predict(doses, palette=found.palette, pour=there).lab
        far.append(float(delta_e(np.array(lab), seen)))
        held = found.interval(doses, pour=there)
        assert delta_e(np.array(held.lab), np.array(lab)) < 0.5
    assert np.mean(far) < 1.2
    match = found.match("#8a5a20", pour=IN_BASE)
    assert match.recipe.pour == IN_BASE
    assert sm.spread(match.recipe, palette=found.palette).causes["pastes"] > 0


def test_a_base_of_two_bars_does_not_test_the_others() -> None:
    found = calibrated()
    bases = [p.pour.base for p in found._fit.problem.pours]
    tested = {bases[one.reading] for one in left_out(found._fit)}
    assert bases.count(BROWN) == 2 and tested == {"clear"}
    assert f"{BROWN}: from 2 bars" in str(found) and "misspelt" not in str(found)


def test_a_base_spelt_in_two_ways_is_refused() -> None:
    one = calibrated().pours[-1]
    other = one.pour.model_copy(update={"base": BROWN.upper()})
    odd = dataclasses.replace(one, name="odd", pour=other)
    with pytest.raises(sm.PaletteError, match="two names look the same"):
        sm.calibrate([*calibrated().pours, odd])


def test_bases_that_were_not_poured_are_refused() -> None:
    with pytest.raises(sm.UnknownNameError, match=f"Did you mean {BROWN}"):
        calibrated().interval({}, pour=sm.Pour(base="clear with vanila"))
    with pytest.raises(sm.UnknownNameError, match="was not calibrated"):
        calibrated().spectrum("oat")


def test_kept_in_a_file(tmp_path: Path) -> None:
    sm.save(calibrated(), tmp_path / "learnt.json")
    again = sm.read(tmp_path / "learnt.json")
    assert again.bases == (BROWN,) and again.pours == calibrated().pours
    assert np.allclose(again.spectrum(BROWN)[0], calibrated().spectrum(BROWN)[0], rtol=1e-6)


def test_a_column_for_the_base(tmp_path: Path) -> None:
    (tmp_path / "form.csv").write_text(
        f"name,batch_g,base,dose_cm:gorse,L,a,b\none,500,{BROWN},2,50,1,2\ntwo,500,,2,60,1,2\n"
    )
    one, two = sm.read_test_pours(tmp_path / "form.csv")
    assert (one.pour, two.pour) == (IN_BASE, sm.Pour(batch_g=500))
    other = sm.read_test_pours(tmp_path / "form.csv", pour=sm.Pour(base="oat"))
    assert other[1].pour.base == "oat" and other[0].pour.base == BROWN
