"""Films that don't test each other: what is then believed, kept and said."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.films import ROUGH_ERRORS
from shadematch.calibration.problem import Noise
from shadematch.calibration.result import Calibration
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from tests.bench import measured_films
from tests.invented import films

GLOSS = 0.03
LADDER = [
    {"rosehip": 0.02},
    {"rosehip": 0.01, "chalk": 0.01},
    {"chalk": 0.02},
    {"jetty": 0.006, "chalk": 0.014},
    {"jetty": 0.015, "chalk": 0.005},
]
UNSEEN = [
    {"rosehip": 0.002, "chalk": 0.018},
    {"rosehip": 0.018, "jetty": 0.002},
    {"rosehip": 0.015, "jetty": 0.005},
    {"rosehip": 0.006, "chalk": 0.014},
    {"jetty": 0.001, "chalk": 0.019},
]


@functools.cache
def made() -> films.Films:
    """Discrete ordinates with another index and asymmetry (`tests.invented.films`)."""
    return films.films("draw-down", np.random.default_rng(5))


def drawn(ladder: list[dict[str, float]], seed: int, stray: float = 0.3) -> list[sm.TestPour]:
    """Films drawn by hand: amounts do up to that share more or less; gloss is read along."""
    rng = np.random.default_rng(seed)
    return [
        sm.TestPour.from_spectrum(
            loads,
            films.GRID,
            read + GLOSS,
            name=f"film {at}",
            view=made().view(backing),
            unit="part",
            pour=sm.Pour(batch_g=100),
        )
        for at, loads in enumerate(ladder)
        for backing, read in made().readings(loads, rng, dosing=stray).items()
    ]


@functools.cache
def learnt() -> Calibration:
    return sm.calibrate(drawn(LADDER, 1))


def test_few_films_are_believed_as_measured_ones_were() -> None:
    found = learnt()
    assert found.wrong == ()
    assert found._fit.problem.errors == ROUGH_ERRORS
    assert found._fit.problem.scale[0] >= 1.0
    assert not any(u.kind == "film surface" for u in found._fit.problem.unknowns)
    assert any("ranges are those of measured oil films" in text for text in found.poorly_known)
    # Nothing runs to a limit: the gloss that was read along is found, and no more.
    assert found.warnings == ()
    offset = next(
        theta
        for u, theta in zip(found._fit.problem.unknowns, found._fit.theta, strict=True)
        if u.kind == "film offset"
    )
    assert offset.mean() == pytest.approx(GLOSS, abs=0.01)


def test_their_ranges_hold() -> None:
    inside = []
    for seed in range(4):
        for p in drawn(UNSEEN, 10 + seed):
            interval = learnt().interval(p.doses, view=p.view)
            inside.append(interval.contains(p.lab_seen))
    assert np.mean(inside) >= 0.8


def test_many_films_that_stray_are_rough_too() -> None:
    # Enough of them, but amounts do a third more or less than elsewhere.
    ladder = [*LADDER, *UNSEEN]
    assert sm.calibrate(drawn(ladder, 3))._fit.problem.errors == ROUGH_ERRORS
    assert sm.calibrate(drawn(ladder, 3, stray=0.004))._fit.problem.errors != ROUGH_ERRORS


def test_the_only_masstone_is_kept_and_reported() -> None:
    pours = drawn(LADDER, 1, stray=0.01)
    dyed = tuple(v if v is None else 0.05 + 0.2 * v for v in pours[0].spectrum or ())
    wrong = [dataclasses.replace(p, spectrum=dyed) if p.name == "film 2" else p for p in pours]
    wrong[5] = dataclasses.replace(wrong[5], spectrum=tuple(v and v + 1e-4 for v in dyed))
    found = sm.calibrate(wrong)
    assert found.wrong == ()
    assert any("film 2 does not fit the others" in text for text in found.warnings)


def test_noise_even_in_the_cube_root() -> None:
    # By differences: sd(R) is 0.01 times the slope of R by its cube root.
    R = np.array([1.0, 0.3, 1.0 / 27.0])
    root = np.cbrt(R)
    slope = ((root + 1e-6) ** 3 - (root - 1e-6) ** 3) / 2e-6
    sd = Noise(share=0.0, floor=1e-9, even=0.01).of_spectrum(R)
    np.testing.assert_allclose(sd, 0.01 * slope, rtol=1e-6)
    assert sd[[0, 2]] / R[[0, 2]] == pytest.approx([0.03, 0.09])


def test_a_folder_of_measured_films(tmp_path: Path) -> None:
    # The layout that the bench reads, with invented readings.
    rng = np.random.default_rng(2)
    at = [int(np.flatnonzero(nm == NM)[0]) for nm in films.GRID]
    samples = {
        "01A": (100.0, 0.0, 0.0),
        "01B": (10.0, 90.0, 0.0),
        "01C": (50.0, 50.0, 0.0),
        "01D": (95.0, 0.0, 5.0),
        "02A": (0.0, 100.0, 0.0),
        "02B": (0.0, 60.0, 40.0),
        "02C": (0.0, 20.0, 80.0),
    }
    mixtures, spectra = [], ["Name\t" + "\t".join(f"{nm:g}" for nm in films.GRID)]
    for name, shares in samples.items():
        mixtures.append(f"{name}\trosehip-chalk-jetty|" + "-".join(f"{x:g}" for x in shares))
        loads = {n: x * 2e-4 for n, x in zip(("rosehip", "chalk", "jetty"), shares, strict=True)}
        read = made().readings({n: x for n, x in loads.items() if x}, rng)
        for card, key in (("black card", "b"), ("white card", "w")):
            for row, values in ((key, films.CARDS[card][at]), (f"o{key}", read[card])):
                cells = "\t".join(f"{100 * v:.3f}" for v in values)
                spectra.append(f"{name}_{row}\t{cells}")
    (tmp_path / "mixtures.tsv").write_text("\n".join(mixtures), encoding="utf-8")
    (tmp_path / "spectra.tsv").write_text("\n".join(spectra), encoding="utf-8")
    (learnt_from, unseen) = measured_films.split(measured_films.films_in(tmp_path))["01"]
    assert [f.name for f in learnt_from] == ["02A", "02B", "02C", "01A", "01C"]
    assert [f.name for f in unseen] == ["01B", "01D"]
    tried = measured_films.try_set(learnt_from, unseen)
    assert not tried.refused
    assert len(tried.ours) == len(tried.theirs) == 4
    assert np.mean(tried.ours) < 4.0
