"""Bends of pastes and white's crowding as readings tell them: derivatives, fit, files."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.fit import fit
from shadematch.calibration.forward import Errors, layers_of, look, look_through
from shadematch.calibration.left_out import left_out
from shadematch.calibration.problem import prior_of
from shadematch.calibration.result import Calibration
from shadematch.calibration.spectra import parameters, unknown
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from tests.bench.pastes import Real
from tests.invented import campaign, worlds

NAMES = ("A", "B", "C")
BENDS = {"A": 0.0, "B": 1 / 16, "C": 0.12}


@functools.cache
def truth() -> Real:
    """Three pastes, two of which bend, and white that crowds; layers by iadpython."""
    drawn = worlds.random_world(np.random.default_rng([4, 77]), pigments=3)
    plain = {f: getattr(drawn, f) for f in ("clear", "white", "absorption", "scattering")}
    return Real(**plain, bends=BENDS, crowding=0.4)


@functools.cache
def learnt() -> Calibration:
    """Learnt from a campaign and a mixture in white base."""
    rng = np.random.default_rng(9)
    pours = []
    for p in campaign.in_white(campaign.campaign(NAMES)).pours:
        for view, read in zip(p.views, truth().bar(p.doses, p.pour, rng, p.views), strict=True):
            about = {"name": p.name, "pour": p.pour, "view": view}
            pours.append(sm.TestPour.from_spectrum(p.doses, NM, read, **about))
    return sm.calibrate(pours, scattering="none")


def test_derivatives_of_a_reading_against_differences() -> None:
    rng = np.random.default_rng(1)
    unknowns = [
        unknown("clear", "clear absorption"),
        unknown("clear", "clear scattering"),
        unknown("white", "white absorption"),
        unknown("white", "white scattering"),
        unknown("A", "pigment absorption"),
        unknown("B", "pigment absorption"),
        unknown("B", "pigment scattering"),
        unknown("A", "paste bend"),
        unknown("B", "paste bend"),
        unknown("white", "white crowding"),
        unknown("edge", "edge loss"),
    ]
    theta = np.array([u.mean for u in unknowns])
    theta[7], theta[8], theta[9], theta[10] = 0.2, -0.03, 0.5, 0.15
    cases = [
        ({"A": 3.0, "B": 8.0}, sm.Pour(batch_g=250, white=0.3), sm.View()),
        ({"A": 9.0}, sm.Pour(batch_g=250), sm.View(backing="black")),
        ({}, sm.Pour(batch_g=250, white=1.0), sm.View()),
    ]
    errors = Errors(dose=0.3, base_share=0.2, gain=0.01, tilt=0.02)
    layers = layers_of(cases, unknowns, ("A", "B"), errors)
    slips = rng.normal(0, 1, (3, 6))

    def seen(theta: np.ndarray, slips: np.ndarray) -> np.ndarray:
        return look(
            theta, unknowns, pigments=("A", "B"), layers=layers, errors=errors, slips=slips
        ).spectrum

    found, h = (
        look(theta, unknowns, pigments=("A", "B"), layers=layers, errors=errors, slips=slips),
        1e-5,
    )
    for k in range(len(unknowns)):
        step = np.zeros_like(theta)
        step[k] = h
        slope = (seen(theta + step, slips) - seen(theta - step, slips)) / (2 * h)
        assert found.by_unknown[:, k] == pytest.approx(slope, rel=1e-3, abs=2e-5), unknowns[k]
    for column in range(6):
        step = np.zeros_like(slips)
        step[:, column] = h
        slope = (seen(theta, slips + step) - seen(theta, slips - step)) / (2 * h)
        assert found.by_error[:, column] == pytest.approx(slope, rel=1e-3, abs=2e-5), column
    for row, case in enumerate(cases):
        one = layers_of([case], unknowns, ("A", "B"), errors)
        many = look_through(np.stack([theta, theta]), unknowns, ("A", "B"), one)
        plain = look(theta, unknowns, ("A", "B"), one, errors).spectrum[0]
        assert many[1] == pytest.approx(plain, abs=1e-12), row


def test_a_number_is_one_free_number() -> None:
    unknowns = [
        unknown("A", "paste bend"),
        unknown("A", "pigment absorption"),
        unknown("B", "paste bend"),
    ]
    starts = parameters(unknowns)
    assert starts.tolist() == [0, *range(36, 72), 72]
    precision = prior_of(unknowns).precision
    free = np.add.reduceat(np.add.reduceat(precision, starts, 0), starts, 1)
    # Shared 0.05, and 0.03 of its own: the textbook's inverse.
    own = 0.058**2
    expected = np.linalg.inv(np.array([[own, 0.05**2], [0.05**2, own]]))
    assert free[np.ix_([0, 37], [0, 37])] == pytest.approx(expected, rel=1e-9)
    assert not free[0, 1:37].any()


def test_bends_and_crowding_are_found() -> None:
    palette = learnt().palette
    for paste in palette.pigments:
        assert paste.bend == pytest.approx(BENDS[paste.name], abs=0.04)
    assert palette["A"].bend < palette["B"].bend < palette["C"].bend
    assert palette.white.crowding == pytest.approx(0.4, abs=0.15)
    known = palette.uncertainty
    assert known is not None
    sd = np.sqrt((known.bends**2).sum(axis=0))
    assert ((sd > 0.003) & (sd < 0.05)).all()


def test_what_was_learnt_predicts_where_proportion_does_not() -> None:
    rng, found = np.random.default_rng(2), learnt()
    ours, straight = [], []
    plain = found.palette
    pastes = tuple(p.model_copy(update={"bend": 0.0}) for p in plain.pigments)
    even = sm.Palette(
        pigments=pastes,
        clear=plain.clear,
        white=plain.white.model_copy(update={"crowding": 0.0}),
    )
    for doses, pour in worlds.unseen(truth(), rng, 30):
        lab = worlds.lab_of(truth().spectrum(worlds.loads(doses, pour), pour))
        aim = sm.Target((float(lab[0]), float(lab[1]), float(lab[2])))
        view = found.view()
        for palette, values in ((plain, ours), (even, straight)):
            own = sm.predict(doses, palette=palette, pour=pour, view=view)
            values.append(sm.delta_e(own, aim))
        inside = found.interval(doses, pour=pour)
        same = sm.predict(doses, palette=plain, pour=pour, view=view)
        assert inside.lab == pytest.approx(same.lab, abs=0.02)
    assert np.mean(ours) < 0.8
    assert np.mean(ours) < 0.5 * np.mean(straight)


def test_they_are_kept(tmp_path) -> None:  # type: ignore[no-untyped-def]
    found = learnt()
    sm.save(found, tmp_path / "c.json")
    again = sm.read(tmp_path / "c.json")
    assert again.palette == found.palette
    sm.save(found.palette, tmp_path / "p.json")
    assert sm.read(tmp_path / "p.json") == found.palette


def test_what_readings_hardly_tell_stays_near_zero_and_widens_ranges(tmp_path) -> None:  # type: ignore[no-untyped-def]
    # No paste in white base, and layers of another index than the model's, by another solver:
    # without more to go by, crowding would be 0.23 here, and white bars off by more than 1.
    drawn = worlds.random_world(np.random.default_rng([3, 77]), pigments=3)
    plan = campaign.campaign(NAMES)
    pours = worlds.measured(drawn, plan, np.random.default_rng([3, 8]))
    found = sm.calibrate(pours, scattering="none")
    assert found.palette.white.crowding == pytest.approx(0.0, abs=0.05)
    known = found.palette.uncertainty
    assert known is not None
    assert 0.1 < np.sqrt((known.crowding**2).sum()) < 0.3
    sm.save(found, tmp_path / "c.json")
    again = sm.read(tmp_path / "c.json")
    assert again.palette.uncertainty == known


def test_what_a_maker_is_told() -> None:
    found = learnt()
    text = str(found)
    assert "C colours about" in text and "less at 4 cm per 100 g than in proportion" in text
    assert "A colours about" not in text
    assert "predicting each bar from the others misses by" in text
    assert found.warnings == ()
    assert "ranges are based on two mixtures; pour one more to test them" in text


def test_a_bar_is_predicted_from_the_others_as_by_a_fit_without_it() -> None:
    found = learnt()._fit
    told = {each.reading: each for each in left_out(found)}
    problem = found.problem
    at = next(i for i, p in enumerate(problem.pours) if p.name == "in white")
    rest = np.flatnonzero(problem.bars != problem.bars[at])
    fewer = dataclasses.replace(
        problem, pours=tuple(problem.pours[i] for i in rest), weights=problem.weights[rest]
    )
    other = fit(fewer, prior_of(fewer.unknowns))
    pour = problem.pours[at]
    seen = problem.look(other.theta).spectrum[at]
    eye = pour.observation
    lab = xyz_to_lab(eye.weights @ seen, eye.white)
    size = np.sqrt(np.trace(told[at].covariance))
    # By slopes alone, so only as well as these reach.
    assert np.linalg.norm(lab - np.array(pour.lab_seen) - told[at].miss) < 0.5 * size


def test_readings_that_no_model_describes_are_warned_of() -> None:
    rng = np.random.default_rng(9)
    pours = []
    for number, p in enumerate(campaign.in_white(campaign.campaign(NAMES)).pours):
        for view, read in zip(p.views, truth().bar(p.doses, p.pour, rng, p.views), strict=True):
            # Each bar leans its own way over the wavelengths, by a twelfth.
            lean = np.exp(0.08 * (-1) ** number * np.cos(np.linspace(0, 6, NM.size)))
            about = {"name": p.name, "pour": p.pour, "view": view}
            read = np.clip(read * lean, 0, 1)
            pours.append(sm.TestPour.from_spectrum(p.doses, NM, read, **about))
    found = sm.calibrate(pours, scattering="none")
    assert found.warnings or "ranges are widened to match" in str(found)


@pytest.mark.parametrize(("stray", "warned"), [(0.0, False), (0.3, True)])
def test_pastes_that_stray_are_warned_of(stray: float, warned: bool) -> None:
    # What 1 cm of paste does differs from bar to bar, far more than a ruler explains.
    strays, rng = dataclasses.replace(truth(), dose_share=stray), np.random.default_rng(9)
    pours = []
    for p in campaign.in_white(campaign.campaign(NAMES)).pours:
        for view, read in zip(p.views, strays.bar(p.doses, p.pour, rng, p.views), strict=True):
            about = {"name": p.name, "pour": p.pour, "view": view}
            pours.append(sm.TestPour.from_spectrum(p.doses, NM, read, **about))
    found = sm.calibrate(pours, scattering="none")
    assert any("does not describe these readings" in text for text in found.warnings) == warned
