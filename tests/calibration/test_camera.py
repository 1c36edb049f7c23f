"""Calibration from photos: the camera is learnt from the chart beside the bars.

Cameras and the chart's spectra come from measurements that colour-science carries
(`MSDS_CAMERA_SENSITIVITIES`, the average of thirty charts); the library knows neither, but the
spectra of ISO 17321-1, which differ from these charts by about 1 (CIEDE2000).
"""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.camera import as_seen, cameras_of
from shadematch.calibration.result import Calibration
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM, observation
from shadematch.photo.response import Response
from shadematch.support.arrays import FloatArray
from tests.invented import photos as ph, worlds
from tests.invented.campaign import campaign

WHITE = observation("D65").white
NAMES = ("gorse", "rosehip", "jetty")


def camera_weights(number: int, light: str) -> FloatArray:
    """What takes reflectances on the library's grid to three channels, (3, 36)."""
    power = ph.cameras()[number] * ph.lights()[light]
    onto = np.array([np.interp(ph.NM, NM, row) for row in np.eye(NM.size)])
    return np.asarray(100.0 * (power / power.sum(axis=1, keepdims=True)) @ onto.T)


@functools.cache
def chart() -> FloatArray:
    return np.array([np.interp(NM, ph.NM, row) for row in ph.chart_spectra(0)])


def response(
    spectrum: FloatArray, weights: FloatArray, rng: np.random.Generator, noise: float = 0.001
) -> Response:
    """A photo's, in channels that a matrix of its own has mixed."""
    mixed = rng.uniform(0.5, 1.0) * (np.eye(3) + rng.uniform(-0.2, 0.2, (3, 3)))
    seen = np.vstack([chart(), spectrum]) @ weights.T
    seen = (seen + noise * seen[:, 1:2] * rng.normal(size=seen.shape)) @ mixed
    rows = [(float(r), float(g), float(b)) for r, g, b in seen]
    size = (noise * rows[-1][1]) ** 2 + 1e-6
    covariance = ((size, 0.0, 0.0), (0.0, size, 0.0), (0.0, 0.0, size))
    return Response(rows[-1], covariance, (), tuple(rows[:-1]))


def pours_of(
    truth: worlds.World, weights: FloatArray, rng: np.random.Generator
) -> list[sm.TestPour]:
    """Test pours whose Lab is what the camera would show, taken for that of an eye."""
    pours = []
    to_xyz = np.linalg.lstsq(chart() @ weights.T, chart() @ observation("D65").weights.T)[0]
    for planned in campaign(tuple(truth.absorption)).pours:
        real = truth.poured(planned.doses, planned.pour, rng)
        for view in planned.views:
            spectrum = truth.spectrum(real, planned.pour, view)
            lab = xyz_to_lab(np.maximum(spectrum @ weights.T @ to_xyz, 0.05), WHITE)
            size = 1.0 + (0.08 * float(np.hypot(lab[1], lab[2]))) ** 2
            pours.append(
                sm.TestPour(
                    planned.doses,
                    planned.name,
                    planned.pour,
                    view,
                    lab=(min(float(lab[0]), 100.0), float(lab[1]), float(lab[2])),
                    covariance=((size, 0.0, 0.0), (0.0, size, 0.0), (0.0, 0.0, size)),
                    response=response(spectrum, weights, rng),
                )
            )
    return pours


@functools.cache
def world() -> worlds.World:
    return worlds.random_world(np.random.default_rng(53), 3, names=NAMES)  # type: ignore[arg-type]


@functools.cache
def photographed() -> tuple[sm.TestPour, ...]:
    return tuple(pours_of(world(), camera_weights(1, "D65"), np.random.default_rng(54)))


@functools.cache
def learnt() -> Calibration:
    return sm.calibrate(photographed(), scattering="none")


def errors_of(found: Calibration) -> FloatArray:
    rows = []
    for doses, pour in worlds.unseen(world(), np.random.default_rng(55), 40):
        exact = worlds.lab_of(world().spectrum(worlds.loads(doses, pour), pour))
        lab = found.interval(doses, pour=pour, measurement=False).lab
        rows.append(float(delta_e(np.array(lab), exact)))
    return np.array(rows)


@pytest.mark.parametrize("light", ["D65", "LED-B5"])
@pytest.mark.parametrize("number", [0, 1])
def test_the_chart_teaches_the_camera(number: int, light: str) -> None:
    rng = np.random.default_rng([56, number])
    weights = camera_weights(number, light)
    # Strong pastes with steep bands: what a correction by the chart sees worst.
    soaps = np.array([np.interp(NM, ph.NM, ph.strong_soap(rng)) for _ in range(60)])
    soaps = soaps[(soaps @ observation("D65").weights[1]) > 5]
    pours = [
        sm.TestPour(
            {},
            f"bar {i}",
            lab=(50.0, 0.0, 0.0),
            response=response(s, weights, rng),
            pour=sm.Pour(batch_g=100),
        )
        for i, s in enumerate(soaps)
    ]
    (camera,) = cameras_of(pours)
    seen = as_seen(pours, [camera])
    read = np.array([p.lab for p in seen])
    by_camera, by_eye = (
        xyz_to_lab(np.maximum(soaps @ w.T, 0.05), WHITE)
        for w in (camera.weights, observation("D65").weights)
    )
    left, before = delta_e(by_camera, read), delta_e(by_eye, read)
    assert left.mean() < 0.6 * before.mean()
    assert left.mean() < 2.0


def test_other_lights_are_other_cameras() -> None:
    rng = np.random.default_rng(57)
    grey = np.full(NM.size, 0.4)
    pours = [
        sm.TestPour(
            {},
            f"bar {i}",
            lab=(60.0, 0.0, 0.0),
            response=response(grey, camera_weights(*kind), rng),
            pour=sm.Pour(batch_g=100),
        )
        for i, kind in enumerate([(0, "D65"), (1, "FL11"), (0, "D65"), (1, "FL11")])
    ]
    assert [c.pours.tolist() for c in cameras_of(pours)] == [[0, 2], [1, 3]]
    # A chart of which too little is seen teaches nothing.
    few = dataclasses.replace(
        pours[0].response,
        patches=(None,) * 13 + pours[0].response.patches[13:],  # type: ignore[type-var, union-attr]
    )
    assert cameras_of([dataclasses.replace(pours[0], response=few)]) == ()


def test_unseen_mixtures_are_predicted_better_with_the_camera_learnt() -> None:
    plain = [dataclasses.replace(p, response=None) for p in photographed()]
    by_eye, by_camera = errors_of(sm.calibrate(plain, scattering="none")), errors_of(learnt())
    assert by_camera.mean() < 0.6 * by_eye.mean()
    assert by_camera.mean() < 2.5


def test_what_is_unknown_of_the_camera_is_in_the_range() -> None:
    # Coverage is measured by tests/bench/calibration_photo.py; one world tells gross mistakes.
    rng = np.random.default_rng(58)
    inside = []
    for doses, pour in worlds.unseen(world(), rng, 60):
        lab = worlds.lab_of(world().spectrum(world().poured(doses, pour, rng), pour))
        found = learnt().interval(doses, pour=pour, measurement=False)
        inside.append(found.contains((float(lab[0]), float(lab[1]), float(lab[2]))))
    assert np.mean(inside) >= 0.7
    # It is shared by all bars: leaving it out makes the spectra look better known.
    without = learnt()._fit
    from shadematch.calibration.fit import at_optimum
    from shadematch.calibration.problem import prior_of

    bare = at_optimum(
        without.problem, prior_of(without.problem.unknowns), without.theta, without.slips
    )
    assert np.trace(learnt().covariance) > 1.01 * np.trace(bare.covariance)


def test_a_reading_counts_as_one_of_its_own_colour() -> None:
    # One bar whose colour the camera could not hold does not widen the ranges of all others.
    pours = list(photographed())
    huge = ((900.0, 0.0, 0.0), (0.0, 900.0, 0.0), (0.0, 0.0, 900.0))
    at = next(i for i, p in enumerate(pours) if p.name == "jetty deep")
    pours[at] = dataclasses.replace(pours[at], covariance=huge)
    wide = sm.calibrate(pours, scattering="none")
    pour = sm.Pour(batch_g=500)
    first, second = (f.interval({"gorse": 3.0}, pour=pour).spread for f in (learnt(), wide))
    assert second == pytest.approx(first, rel=0.2)


def test_kept_whole(tmp_path: Path) -> None:
    place = tmp_path / "learnt.json"
    sm.save(learnt(), place)
    again = sm.read(place)
    assert again.pours == learnt().pours
    pour = sm.Pour(batch_g=500)
    for doses in ({"gorse": 3.0}, {"rosehip": 1.0, "jetty": 2.0}):
        one, two = (f.interval(doses, pour=pour) for f in (learnt(), again))
        np.testing.assert_allclose(one.lab, two.lab, atol=1e-6)
        np.testing.assert_allclose(one.covariance, two.covariance, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize("wide", [False, True])
def test_what_a_photo_gives_along(tmp_path: Path, wide: bool) -> None:
    rng = np.random.default_rng(60)
    camera, light = ph.cameras()[0], "D65"
    sample = 0.1 + 0.6 / (1 + np.exp((560 - ph.NM) / 20))
    place = ph.shoot(tmp_path / "bar.jpg", sample, light, camera, rng, wide_gamut=wide)
    target = sm.read_photo(place, region=ph.SAMPLE, chart=ph.CHART)
    pour = sm.TestPour.from_target({"gorse": 1.0}, target, pour=sm.Pour(batch_g=100))
    assert pour.response is not None
    # What the camera itself would give, a matrix apart: fitted to the patches, right on the bar.
    power = camera * ph.lights()[light]
    exact = np.vstack([ph.chart_spectra(0), sample]) @ power.T
    seen = [i for i, p in enumerate(pour.response.patches) if p is not None]
    assert len(seen) >= 20
    patches = np.array([pour.response.patches[i] for i in seen])
    by = 1.0 / exact[seen].mean(axis=1, keepdims=True)
    to_camera = np.linalg.lstsq(patches * by, exact[seen] * by)[0]
    np.testing.assert_allclose(np.array(pour.response.region) @ to_camera, exact[-1], rtol=0.08)
    # Of a chart with a reference of its own the spectra are not known.
    own = sm.read_photo(place, region=ph.SAMPLE, chart=sm.Chart(ph.CHART, reference=_reference()))
    assert sm.TestPour.from_target({"gorse": 1.0}, own, pour=sm.Pour(batch_g=100)).response is None


def test_a_response_is_checked() -> None:
    good = photographed()[0].response
    assert good is not None
    for change in (
        {"region": (float("nan"), 1.0, 1.0)},
        {"patches": good.patches[:5]},
        {"patches": ((1.0, 2.0), *good.patches[1:])},
        {"covariance": good.covariance[:2]},
    ):
        with pytest.raises(sm.PhotoError, match="response"):
            dataclasses.replace(good, **change)  # type: ignore[arg-type]
    with pytest.raises(sm.ShadematchError, match="response"):
        sm.TestPour({"gorse": 1.0}, lab=(50.0, 0.0, 0.0), response=3, pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]


def _reference() -> list[tuple[float, float, float]]:
    labs = [worlds.lab_of(row, sm.View(illuminant="D50")) for row in chart()]
    return [(float(v[0]), float(v[1]), float(v[2])) for v in labs]
