"""Calibration from photos of test pours: ``python -m tests.bench.calibration_photo [worlds]``.

Bars of `starter_plan` (500 g, 2 mm dosing error; layers by iadpython, `tests/worlds.py`) are
photographed beside a 24-patch chart (`tests/photos.py`: measured cameras, lights at home, white
balance, slope of the light, glare, noise, JPEG), each in a photo of its own, all with one camera
in one light; the chart in the photo has other spectra than the library's reference. The colour
is read by `Target.from_photo` and goes with its covariance to `calibrate`. Then unseen mixtures
are predicted, those that sRGB holds also by themselves; coverage: fresh pours of them, with
dosing error and photographed the same way, that fall into the 90 % region, and the 90 % range of
CIEDE2000 to a target near the predicted colour.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from pathlib import Path

import numpy as np

import shadematch as sm
from shadematch.arrays import FloatArray
from shadematch.colorimetry import xyz_to_srgb
from shadematch.difference import delta_e
from shadematch.standards import WAVELENGTHS_NM as NM
from tests import photos as ph
from tests import worlds

LIGHTS = ("D65", "LED-B5")
UNSEEN = 40


def photographed(spectrum: FloatArray, place: Path, at: int, rng: np.random.Generator) -> sm.Target:
    """A bar's colour as read from a photo; `at` chooses camera and light."""
    fine = np.clip(np.interp(ph.NM, NM, spectrum), 0.0, 1.0)
    camera = ph.cameras()[at % 2]
    ph.shoot(place, fine, LIGHTS[(at // 2) % 2], camera, rng)
    return sm.Target.from_photo(place, region=ph.SAMPLE, chart=ph.CHART)


def holds(spectrum: FloatArray) -> bool:
    """Whether a photo in sRGB can hold the colour of a bar."""
    seen = sm.View().observation
    return bool(xyz_to_srgb(seen.weights @ spectrum, seen.white)[1])


def try_world(
    seed: int, place: Path
) -> tuple[list[float], list[float], list[bool], list[bool], list[bool]]:
    """Errors of readings, of predictions; coverage, that of the CIEDE2000, and what sRGB holds."""
    rng = np.random.default_rng([seed, 78])
    truth = worlds.random_world(rng)
    read, far, inside, near, held = [], [], [], [], []
    pours = []
    for planned in sm.starter_plan(tuple(truth.absorption)).pours:
        real = truth.poured(planned.doses, planned.pour, rng)
        for view in planned.views:
            exact = truth.spectrum(real, planned.pour, view)
            target = photographed(exact, place, seed, rng)
            read.append(float(delta_e(np.array(target.lab), worlds.lab_of(exact))))
            about = {"name": planned.name, "pour": planned.pour, "view": view}
            pours.append(sm.TestPour.from_target(planned.doses, target, **about))  # type: ignore[arg-type]
    found = sm.calibrate(pours)
    for doses, pour in worlds.unseen(truth, rng, UNSEEN):
        exact = truth.spectrum(worlds.loads(doses, pour), pour)
        lab = worlds.lab_of(exact)
        held.append(holds(exact))
        interval = found.interval(doses, pour=pour)
        far.append(float(delta_e(np.array(interval.lab), lab)))
        fresh = photographed(truth.spectrum(truth.poured(doses, pour, rng), pour), place, seed, rng)
        inside.append(interval.contains(fresh.lab))
        goal = np.array(interval.lab) + rng.normal(0, 1, 3)
        target = sm.Target((float(goal[0]), float(goal[1]), float(goal[2])))
        ranged = found.interval(doses, pour=pour, target=target)
        assert ranged.delta_e_low is not None and ranged.delta_e_high is not None
        away = float(delta_e(np.array(fresh.lab), goal))
        near.append(ranged.delta_e_low <= away <= ranged.delta_e_high)
    return read, far, inside, near, held


def main() -> int:
    """Print a table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    with tempfile.TemporaryDirectory() as folder:
        got = [try_world(seed, Path(folder) / "bar.jpg") for seed in range(count)]
    read, far, inside, near, held = (np.concatenate([g[k] for g in got]) for k in range(5))
    print(f"{count} worlds of five pigments, {len(got[0][0])} photos each, {UNSEEN} unseen pours")
    print(f"one photo       mean CIEDE2000 {read.mean():.2f}, 95th {np.quantile(read, 0.95):.2f}")
    print(f"unseen pours    mean CIEDE2000 {far.mean():.2f}, 95th {np.quantile(far, 0.95):.2f}")
    print(f"... in sRGB     mean CIEDE2000 {far[held].mean():.2f}, 95th "
          f"{np.quantile(far[held], 0.95):.2f} ({held.mean():.0%} of them)")  # fmt: skip
    print("mean by world   " + " ".join(f"{np.mean(g[1]):.2f}" for g in got))
    print(f"90 % region     holds {inside.mean():.1%}")
    print(f"90 % CIEDE2000  holds {near.mean():.1%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
