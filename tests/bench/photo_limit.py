"""What no correction by a matrix can bring back: ``python -m tests.bench.photo_limit``.

For each light and camera of `tests.bench.photo`, without noise, tone curve or anything else that
goes wrong: the 99 samples of CIE 224:2017 as the camera's channels see them, brought to their
colours under D65 by a matrix that was fitted to the chart in the photo, and by one that was fitted
to these very samples. What remains is that a camera in some light is no eye in daylight.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.photo.camera import matrix_between
from tests.bench.photo import LIGHTS
from tests.invented import photos as ph


def main() -> None:
    white = observation("D65").white
    chart, samples = ph.chart_spectra(), ph.cie_samples()
    true = np.array([ph.true_lab(s) for s in samples])
    wanted = [np.array([ph.xyz_of(s, "D65") for s in group]) for group in (chart, samples)]
    print("| light | matrix of the chart | matrix of the samples |")
    print("| --- | --- | --- |")
    for light, word in LIGHTS.items():
        row = []
        for camera in ph.evaluated_cameras():
            power = camera * ph.lights()[light]
            power = power / power.sum(axis=1, keepdims=True)
            shown = samples @ power.T
            off = []
            for group, goal in zip((chart, samples), wanted, strict=True):
                xyz = shown @ matrix_between(group @ power.T, goal)
                lab = xyz_to_lab(np.maximum(xyz, 0.01), white)
                off.append(float(delta_e(lab, true).mean()))
            row.append(off)
        by_chart, by_samples = np.mean(row, axis=0)
        print(f"| {word} | {by_chart:.2f} | {by_samples:.2f} |")


if __name__ == "__main__":
    main()
