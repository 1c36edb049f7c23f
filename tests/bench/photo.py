"""How near the colours of rendered photos come, and how often what is stated holds.

    python -m tests.bench.photo [every] [chart set]

Photos of the 24 patches of a chart and of the 99 samples of CIE 224:2017 (every n-th of them,
by default all), each in a photo of its own, under four lights, through the two measured cameras
that colour-science carries. See `tests.photos` for what is done to them. The chart in the photo
has the spectra of set 0 (the average of thirty measured charts) or 5 (ISO 17321-1) of
colour-science; what it is corrected to is the library's reference of charts made after November
2014, so that the chart too is not quite what it is said to be.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import shadematch as sm
from shadematch.difference import delta_e
from tests import photos as ph

LIGHTS = {"D65": "daylight", "LED-B5": "daylight LED", "A": "lamp", "FL11": "fluorescent"}
HOW: dict[str, dict[str, Any]] = {
    "chart": {"chart": ph.CHART}, "neutral": {"neutral": ph.PAPER}, "nothing": {},
}  # fmt: skip
EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9


def main() -> None:
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    chosen = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    spectra = ph.chart_spectra(chosen)
    surfaces = np.vstack([spectra, ph.cie_samples()])[::every]
    print(f"{len(surfaces)} surfaces, each light; chart set {chosen}; "
          "covers: share of true colours in the stated 90 %")  # fmt: skip
    print(f"{'light':<14}{'by':<9}{'mean':>6}{'95 %':>7}{'covers':>8}{'radius':>8}{'ms':>6}")
    held: dict[str, list[bool]] = {how: [] for how in HOW}
    start = 0
    for light, word in LIGHTS.items():
        off: dict[str, list[float]] = {how: [] for how in HOW}
        inside: dict[str, list[bool]] = {how: [] for how in HOW}
        radius: dict[str, list[float]] = {how: [] for how in HOW}
        spent = dict.fromkeys(HOW, 0.0)
        with tempfile.TemporaryDirectory() as folder:
            for i, surface in enumerate(surfaces):
                start += 1
                rng = np.random.default_rng(start)
                camera = ph.cameras()[i % 2]
                place = ph.shoot(
                    Path(folder) / "p.jpg", surface, light, camera, rng, chart_set=chosen
                )
                true = ph.true_lab(surface)
                for how, asked in HOW.items():
                    began = time.perf_counter()
                    found = sm.PhotoTarget.from_photo(place, region=ph.SAMPLE, **asked)
                    spent[how] += time.perf_counter() - began
                    error = np.array(found.lab) - true
                    off[how].append(float(delta_e(np.array(found.lab), true)))
                    far = error @ np.linalg.solve(np.array(found.covariance), error)
                    inside[how].append(bool(far <= EDGE))
                    radius[how].append(found.radius)
        for how in HOW:
            held[how] += inside[how]
            print(
                f"{word:<14}{how:<9}{np.mean(off[how]):>6.2f}{np.percentile(off[how], 95):>7.2f}"
                f"{np.mean(inside[how]):>8.1%}{np.mean(radius[how]):>8.1f}"
                f"{1000 * spent[how] / len(surfaces):>6.0f}", flush=True,
            )  # fmt: skip
    for how, all_ in held.items():
        print(f"{'all lights':<14}{how:<9}{'':>13}{np.mean(all_):>8.1%}")


if __name__ == "__main__":
    main()
