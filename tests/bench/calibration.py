"""How well calibration predicts: ``python -m tests.bench.calibration [worlds] [row ...]``.

In each of some invented worlds (`tests/invented/worlds.py`: layers by iadpython with asymmetry 0.5
and index 1.46, the library's being 0.6 and 1.5) the bars of the campaign are poured in 500 g
batches (in one row 100 g) with a dosing error of 2 mm and measured over their backings: as spectra
with 1 % noise, and as Lab with 0.4 in each of L*, a* and b* (`python -m
tests.bench.calibration_photo` does it with rendered photos). Then unseen mixtures (0.3 to 4 cm per
100 g, whole centimetres in bars of 100 g; 0.5 to 4 cm thick, clear, blends and white) are
predicted. Their true colour is what the doses would give without error. Coverage: share of fresh
pours, with dosing error and measured with the same noise, that fall into the 90 % region, and the
90 % range of CIEDE2000 to a target near the predicted colour. Beside it the two-flux model on the
same spectra (`tests/bench/twoflux.py`).
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time

import numpy as np

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.support.arrays import FloatArray
from tests.bench.twoflux import TwoFlux
from tests.invented import worlds
from tests.invented.campaign import campaign

KINDS = {"spectrum": 0.01, "lab": 0.4}
ROWS = (
    (0, "spectrum", 500.0, 500.0),
    (0, "spectrum", 500.0, 100.0),
    (0, "spectrum", 100.0, 100.0),
    (0, "lab", 500.0, 500.0),
    (1, "spectrum", 500.0, 500.0),
)
"""Pigments that scatter, kind of reading, grams of each bar measured, and of each unseen one."""
UNSEEN = 60


def corrected(found: Calibration) -> list[dict[str, float]]:
    """Loads of the test pours, with the dosing errors that the calibration found taken out."""
    fit = found._fit
    layers = fit.problem.layers
    dyes = layers.loads.shape[1]
    loads = layers.loads * np.exp(layers.dose_sd * fit.slips[:, :dyes])
    return [dict(zip(found.pigments, row, strict=True)) for row in loads.tolist()]


def try_world(
    truth: worlds.World,
    seed: int,
    kind: str,
    grams: tuple[float, float],
    scattering: tuple[str, ...],
) -> tuple[FloatArray, FloatArray, list[bool], list[bool], float, Calibration]:
    """Errors of ours and of two-flux (spectra only), coverage, seconds, the calibration."""
    rng, noise = np.random.default_rng([seed, len(kind)]), KINDS[kind]
    plan = campaign(tuple(truth.absorption), scattering=scattering, batch_g=grams[0])
    pours = worlds.measured(truth, plan, rng, kind, noise)
    begun = time.perf_counter()
    found = sm.calibrate(pours)
    seconds = time.perf_counter() - begun
    flux = None
    if kind == "spectrum":
        flux = TwoFlux(pours, found.pigments, found.scattering, corrected(found))
    ours, theirs, inside, near = [], [], [], []
    for doses, pour in worlds.unseen(truth, rng, UNSEEN, grams[1], whole=grams[1] < 200):
        loads = worlds.loads(doses, pour)
        lab = worlds.lab_of(truth.spectrum(loads, pour))
        interval = found.interval(doses, pour=pour)
        ours.append(float(delta_e(np.array(interval.lab), lab)))
        if flux is not None:
            theirs.append(float(delta_e(worlds.lab_of(flux.spectrum(loads, pour)), lab)))
        fresh = truth.spectrum(truth.poured(doses, pour, rng), pour)
        if kind == "spectrum":
            read = worlds.lab_of(fresh * (1 + noise * rng.standard_normal(NM.size)))
        else:
            read = worlds.lab_of(fresh) + noise * rng.standard_normal(3)
        inside.append(interval.contains((float(read[0]), float(read[1]), float(read[2]))))
        # A match predicts its colour close to its target, not quite on it.
        goal = np.array(interval.lab) + rng.normal(0, 1, 3)
        target = sm.Target((float(goal[0]), float(goal[1]), float(goal[2])))
        ranged = found.interval(doses, pour=pour, target=target)
        assert ranged.delta_e_low is not None and ranged.delta_e_high is not None
        far = float(delta_e(read, goal))
        near.append(ranged.delta_e_low <= far <= ranged.delta_e_high)
    return np.array(ours), np.array(theirs), inside, near, seconds, found


def main() -> int:
    """Print a table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    print(f"{count} worlds of five pigments, {UNSEEN} unseen pours each. CIEDE2000.\n")
    print(
        "| pigments | readings | bars | unseen | kind | mean | 95th percentile | "
        "90 % region holds | 90 % range of CIEDE2000 holds | seconds | two-flux mean | "
        "two-flux 95th |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    rows = [ROWS[int(at)] for at in sys.argv[2:]] or ROWS
    for scatter, kind, *bars in rows:
        ours, theirs, inside, near, seconds = [], [], [], [], []
        readings, right = 0, 0
        for seed in range(count):
            rng = np.random.default_rng([seed, 77])
            truth = worlds.random_world(rng, scattering=scatter)
            names = tuple(truth.scattering)
            got = try_world(truth, seed, kind, (bars[0], bars[1]), names)
            ours.append(got[0])
            theirs.append(got[1])
            inside += got[2]
            near += got[3]
            seconds.append(got[4])
            readings = len(got[5].pours)
            right += set(got[5].scattering) == set(names) and not got[5].wrong
        far, flux = np.concatenate(ours), np.concatenate(theirs)
        two = f"{flux.mean():.2f} | {np.quantile(flux, 0.95):.2f}" if flux.size else " | "
        which = "one scatters" if scatter else "none scatters"
        print(
            f"| {which} | {readings} | {bars[0]:g} g | {bars[1]:g} g | {kind} | "
            f"{far.mean():.2f} | {np.quantile(far, 0.95):.2f} | {np.mean(inside):.1%} | "
            f"{np.mean(near):.1%} | {np.mean(seconds):.1f} | {two} |",
            flush=True,
        )
        if right < count:
            print(
                f"(which pigments scatter was mistaken, or a pour put aside, in "
                f"{count - right} of {count} worlds)"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
