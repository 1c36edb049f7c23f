"""Calibration from photos: ``python -m tests.bench.calibration_photo [worlds [first]]``.

Bars of the campaign (500 g, 2 mm dosing error; layers by iadpython, `tests/invented/worlds.py`)
are photographed beside a 24-patch chart (`tests/invented/photos.py`: measured cameras, lights at
home, white balance, slope of the light, glare, noise, JPEG), each in a photo of its own, all with
one camera in one light; the chart in the photo has other spectra than those that the library knows.
The photo is read by `read_photo` and goes to `calibrate`. Worlds with an even number have
the first measured camera, whose colour filters are such as most cameras have; those with an odd
number the second, whose three layers of sensor see much alike.

Then unseen mixtures are predicted, those that sRGB holds also by themselves. Coverage: fresh
pours of them, with dosing error and photographed the same way, whose reading falls into the 90 %
region, and into the 90 % range of CIEDE2000 to a target near the predicted colour; and, with
``measurement=False``, the same for their true colour. All of it for a camera that writes sRGB
and for one that writes Display P3.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.photo.target import PhotoTarget
from shadematch.support.arrays import FloatArray
from tests.invented import photos as ph, worlds
from tests.invented.campaign import campaign

LIGHTS = ("D65", "LED-B5")
UNSEEN = 40


def photographed(
    spectrum: FloatArray, place: Path, at: int, rng: np.random.Generator, wide: bool
) -> PhotoTarget:
    """A bar's colour as read from a photo; `at` chooses camera and light."""
    fine = np.clip(np.interp(ph.NM, NM, spectrum), 0.0, 1.0)
    camera = ph.cameras()[at % 2]
    ph.shoot(place, fine, LIGHTS[(at // 2) % 2], camera, rng, wide_gamut=wide)
    return sm.read_photo(place, region=ph.SAMPLE, chart=ph.CHART)


def holds(spectrum: FloatArray) -> bool:
    """Whether a photo in sRGB can hold the colour of a bar."""
    seen = sm.View().observation
    return bool(xyz_to_srgb(seen.weights @ spectrum, seen.white)[1])


class World(NamedTuple):
    """Of one world, each a list of numbers or of yes and no."""

    read: list[float]  # CIEDE2000 of the photos of test bars
    far: list[float]  # ... of predictions
    region: list[bool]  # reading of a fresh pour
    range: list[bool]
    true_region: list[bool]  # its true colour
    true_range: list[bool]
    held: list[bool]  # by sRGB


def try_world(seed: int, place: Path, wide: bool) -> World:
    """Calibrate from photos, and predict."""
    rng = np.random.default_rng([seed, 78])
    truth = worlds.random_world(rng)
    found = World(read=[], far=[], region=[], range=[], true_region=[], true_range=[], held=[])
    pours = []
    for planned in campaign(tuple(truth.absorption)).pours:
        real = truth.poured(planned.doses, planned.pour, rng)
        for view in planned.views:
            exact = truth.spectrum(real, planned.pour, view)
            read = photographed(exact, place, seed, rng, wide)
            found.read.append(float(delta_e(np.array(read.target.lab), worlds.lab_of(exact))))
            about = {"name": planned.name, "pour": planned.pour, "view": view}
            pours.append(sm.TestPour.from_target(planned.doses, read, **about))  # type: ignore[arg-type]
    learnt = sm.calibrate(pours)
    for doses, pour in worlds.unseen(truth, rng, UNSEEN):
        exact = truth.spectrum(worlds.loads(doses, pour), pour)
        found.held.append(holds(exact))
        interval = learnt.interval(doses, pour=pour)
        found.far.append(float(delta_e(np.array(interval.lab), worlds.lab_of(exact))))
        fresh = truth.spectrum(truth.poured(doses, pour, rng), pour)
        reading = photographed(fresh, place, seed, rng, wide).target.lab
        goal = np.array(interval.lab) + rng.normal(0, 1, 3)
        target = sm.Target((float(goal[0]), float(goal[1]), float(goal[2])))
        true = worlds.lab_of(fresh)
        for lab, region, range_, measurement in (
            (np.array(reading), found.region, found.range, True),
            (true, found.true_region, found.true_range, False),
        ):
            ranged = learnt.interval(doses, pour=pour, target=target, measurement=measurement)
            assert ranged.delta_e_low is not None and ranged.delta_e_high is not None
            region.append(ranged.contains((float(lab[0]), float(lab[1]), float(lab[2]))))
            away = float(delta_e(lab, goal))
            range_.append(ranged.delta_e_low <= away <= ranged.delta_e_high)
    return found


def table(got: list[World]) -> None:
    """Print the figures of all worlds."""

    def all_of(name: str) -> FloatArray:
        return np.concatenate([np.array(getattr(w, name)) for w in got])

    def line(what: str, values: FloatArray, note: str = "") -> None:
        print(
            f"{what} mean CIEDE2000 {values.mean():.2f}, 95th {np.quantile(values, 0.95):.2f}{note}"
        )

    far, held = all_of("far"), all_of("held").astype(bool)
    line("one photo      ", all_of("read"))
    line("unseen pours   ", far)
    line("... in sRGB    ", far[held], f" ({held.mean():.0%} of them)")
    for first, camera in enumerate(("filters", "layers ")):
        if got[first::2]:
            line(f"... cam. {camera}", np.concatenate([w.far for w in got[first::2]]))
    print("mean by world   " + " ".join(f"{np.mean(w.far):.2f}" for w in got))
    for name, what in (("", "reading"), ("true_", "true colour")):
        print(f"90 % region     holds {all_of(name + 'region').mean():.1%} ({what})")
        print(f"90 % CIEDE2000  holds {all_of(name + 'range').mean():.1%} ({what})")


def main() -> int:
    """Print a table for each kind of file."""
    first, count = 0, int(sys.argv[1]) if len(sys.argv) > 1 else 8
    if len(sys.argv) > 2:
        first = int(sys.argv[2])
    for wide in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / "bar.jpg"
            got = [try_world(seed, place, wide) for seed in range(first, first + count)]
        kind = "Display P3" if wide else "sRGB"
        print(
            f"{kind}: {count} worlds of five pigments, {len(got[0].read)} photos each, "
            f"{UNSEEN} unseen pours",
            flush=True,
        )
        table(got)
    return 0


if __name__ == "__main__":
    sys.exit(main())
