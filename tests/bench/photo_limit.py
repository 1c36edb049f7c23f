"""What no correction by a matrix can bring back: ``python -m tests.bench.photo_limit``.

For each light and camera of `tests.bench.photo`, without noise, tone curve or anything else that
goes wrong: the 99 samples of CIE 224:2017 as the camera's channels see them, brought to their
colours under D65 by a matrix that was fitted to the chart in the photo, and by one that was fitted
to these very samples. What remains is that a camera in some light is no eye in daylight.

The third column knows what no photo tells: the camera's channels and the light's spectrum. It
estimates each sample's spectrum from the spectra of all others, of the chart and of other test
colours, the more alike the channel values the more weight (Wiener estimation, made local; width and
floor of the weights chosen for the smallest mean). No method that has to learn camera and light
from 24 patches with noise on them can be expected to do better.

The last column is what a neutral leaves at best: the camera's own rendering with its white balance
exact, over the samples and the chart's patches, as the photos of the bench show them.
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
from tests.bench.photo import LIGHTS, MAIN, NARROW
from tests.invented import photos as ph

_WIDTH = 0.35
"""Of the weights, in natural logarithms of channel values."""


def spectrum_of(shown: ph.Array, power: ph.Array, spectra: ph.Array) -> ph.Array:
    """The most probable spectrum of what known channels show, by known spectra; shape (n,)."""
    gap = np.log(spectra @ power.T + 0.01) - np.log(shown + 0.01)
    weights = np.exp(-0.5 * (gap**2).sum(axis=1) / _WIDTH**2) + 1e-3
    weights /= weights.sum()
    mean = weights @ spectra
    away = spectra - mean
    covariance = (away * weights[:, None]).T @ away + 1e-5 * np.eye(len(mean))
    spread = power @ covariance @ power.T + 1e-8 * np.eye(3)
    gain = np.linalg.solve(spread, power @ covariance).T
    return np.asarray(mean + gain @ (shown - power @ mean))


def main() -> None:
    white = observation("D65").white
    chart, samples = ph.chart_spectra(), ph.cie_samples()
    true = np.array([ph.true_lab(s) for s in samples])
    wanted = [np.array([ph.xyz_of(s, "D65") for s in group]) for group in (chart, samples)]
    others = np.vstack([chart, ph.other_samples()])
    every = np.vstack([chart, samples])
    every_true = np.array([ph.true_lab(s) for s in every])
    means = {}
    print(
        "| light | matrix of the chart | matrix of the samples | camera and light known "
        "| exact neutral |"
    )
    print("| --- | --- | --- | --- | --- |")
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
            spectra = [
                spectrum_of(shown[i], power, np.vstack([np.delete(samples, i, axis=0), others]))
                for i in range(len(samples))
            ]
            xyz = np.array([ph.xyz_of(s, "D65") for s in spectra])
            lab = xyz_to_lab(np.maximum(xyz, 0.01), white)
            off.append(float(delta_e(lab, true).mean()))
            rendered = every @ power.T @ ph.colour_matrix(camera, ph.lights()[light]).T
            xyz = np.maximum(100.0 * rendered @ np.linalg.inv(ph.TO_SRGB).T, 0.01)
            off.append(float(delta_e(xyz_to_lab(xyz, white), every_true).mean()))
            row.append(off)
        means[light] = np.mean(row, axis=0)
        print(f"| {word} | " + " | ".join(f"{v:.2f}" for v in means[light]) + " |")
    broad = [light for light in LIGHTS if light not in NARROW]
    counts = np.array([2 if light in MAIN else 1 for light in broad])  # as tests.bench.photo has it
    whole = counts @ np.array([means[light] for light in broad]) / counts.sum()
    print("| all but narrow bands | " + " | ".join(f"{v:.2f}" for v in whole) + " |")


if __name__ == "__main__":
    main()
