"""How near the colours of rendered photos come, and how often what is stated holds.

    python -m tests.bench.photo [every] [light ...]
    python -m tests.bench.photo soaps
    python -m tests.bench.photo --photos FOLDER

The protocol was written down, and kept in the repository, before it was run for the first time;
`PROTOCOL` has it in words, and docs/accuracy.md what came out. `every` (1 by default) takes every
n-th surface only, and lights by their names only these: for trying, not for figures. The whole
takes about ten minutes on two cores. `soaps` is a second, smaller evaluation (`SOAPS`).
"""

from __future__ import annotations

import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import Model
from tests.bench import photo_folder
from tests.invented import photos as ph
from tests.invented.problems import by_adding_doubling

PROTOCOL = """
Surfaces: the 24 patches of the chart in the photo and the 99 samples of CIE 224:2017, each in a
photo of its own; every second of them under the lights marked *.
Chart in the photo: the average of thirty measured charts (colour-science's set 0), and that of
ISO 17321-1 (set 5); both reported. (Set 1 is set 5 over again; the rest are other names.)
Neutral: paper, whose reflectance and tint are drawn. Read, as nothing is, in the photos with set 0.
Cameras: the two measured ones of colour-science, each also moved by 5 nm to either side; drawn.
Lights: D65, A, FL11, LED-B5 and six that no term was made on: *ID50, *ISO 7589 Studio Tungsten,
*FL10, *FL3.15, *LED-RGB1 and *a warm LED by the model of Ohno (2005).
The rest as `tests.invented.photos.Conditions.draw` draws it: white balance, exposure, contrast
curve, slope, vignetting, veil, noise, paper, JPEG, glare, dust, shadow.
Seed: 2031, with the number of light, chart and surface.
Reported: mean and 95th percentile of CIEDE2000 to the true colour under D65; the mean over the
99 samples alone, which the chart does not hold; how often the true Lab lies in the ellipsoid
stated for 90 %; the mean radius stated.
A photo that is refused counts as refused, is shown, and enters no mean.
"""

SOAPS = """
Surfaces: 48 soaps of the demo palette, one to three pastes of 1 to 5 cm in 500 g, 1 cm thick,
base white to 0, 0.25, 0.5 or 1; spectra from iadpython (adding and doubling). The first four
lights in turn, 12 each; chart set 0; cameras and the rest drawn as above; seed 2032.
"""

MAIN = {"D65": "daylight", "LED-B5": "daylight LED", "A": "lamp", "FL11": "fluorescent"}
OTHERS = {
    "ID50": "window",
    "ISO 7589 Studio Tungsten": "studio lamp",
    "FL10": "white tube",
    "FL3.15": "daylight tube",
    "LED-RGB1": "three-colour LED",
    "Ohno": "warm LED",
}
LIGHTS = {**MAIN, **OTHERS}
NARROW = ("FL11", "FL10", "LED-RGB1")
"""Lights with narrow bands."""
CHARTS = {0: "average", 5: "ISO"}
SEED = 2031
EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9
Rows = dict[str, list[tuple[float, bool, float, bool]]]
"""Per kind of correction: CIEDE2000, whether covered, radius, whether a sample of CIE 224."""


def evaluate(light: str, every: int) -> tuple[Rows, dict[str, int]]:
    """All photos under one light."""
    rows: Rows = {}
    refused: dict[str, int] = {}
    number = list(LIGHTS).index(light)
    step = every * (1 if light in MAIN else 2)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "p.jpg"
        for chart, word in CHARTS.items():
            surfaces = np.vstack([ph.chart_spectra(chart), ph.cie_samples()])
            asked: dict[str, dict[str, Any]] = {f"chart, {word}": {"chart": ph.CHART}}
            if chart == 0:
                asked |= {"neutral": {"neutral": ph.PAPER}, "nothing": {}}
            for i in range(0, len(surfaces), step):
                rng = np.random.default_rng([SEED, number, chart, i])
                camera = ph.evaluated_cameras()[rng.integers(6)]
                ph.shoot(place, surfaces[i], light, camera, rng, chart_set=chart)
                true = ph.true_lab(surfaces[i])
                for how, options in asked.items():
                    try:
                        found = sm.read_photo(place, region=ph.SAMPLE, **options).target
                    except sm.PhotoError:
                        refused[how] = refused.get(how, 0) + 1
                        continue
                    error = np.array(found.lab) - true
                    far = float(error @ np.linalg.solve(np.array(found.covariance), error))
                    off = float(delta_e(np.array(found.lab), true))
                    rows.setdefault(how, []).append((off, far <= EDGE, found.radius, i >= 24))
    return rows, refused


def soap_photo(number: int, folder: Path) -> tuple[str, sm.Palette, sm.Pour, ph.Array, Path]:
    """One soap: its light, palette, pour, true CIELAB and photo."""
    rng = np.random.default_rng([SEED + 1, number])
    palette = sm.demo_palette()
    names = rng.choice(palette.names, rng.integers(1, 4), replace=False)
    doses = {str(name): float(rng.integers(1, 6)) for name in names}
    pour = sm.Pour(batch_g=500, thickness_cm=1.0, white=float(rng.choice([0.0, 0.25, 0.5, 1.0])))
    model = Model(palette, pour.thickness_cm, pour.white, sm.View())
    steps = np.array([doses.get(name, 0.0) for name in palette.names])
    mu_a = model.base_absorption + steps * pour.load_per_step @ model.absorption
    reflectance = [
        by_adding_doubling(a, s, pour.thickness_cm, 0.9)
        for a, s in zip(mu_a, model.base_scattering, strict=True)
    ]
    spectrum = np.clip(np.interp(ph.NM, np.arange(380, 731, 10), reflectance), 0.0, 1.0)
    light = list(MAIN)[number % 4]
    camera = ph.evaluated_cameras()[rng.integers(6)]
    place = ph.shoot(folder / "p.jpg", spectrum, light, camera, rng)
    return light, palette, pour, ph.true_lab(spectrum), place


def soap(number: int) -> tuple[str, Rows]:
    """One soap's photo."""
    rows: Rows = {}
    with tempfile.TemporaryDirectory() as folder:
        light, palette, _, true, place = soap_photo(number, Path(folder))
        ways: dict[str, dict[str, Any]] = {
            "chart, average": {"chart": ph.CHART},
            "chart and pastes": {"chart": ph.CHART, "palette": palette},
            "neutral": {"neutral": ph.PAPER},
            "nothing": {},
        }
        for how, options in ways.items():
            try:
                found = sm.read_photo(place, region=ph.SAMPLE, **options).target
            except sm.PhotoError:
                continue
            error = np.array(found.lab) - true
            far = float(error @ np.linalg.solve(np.array(found.covariance), error))
            off = float(delta_e(np.array(found.lab), true))
            rows[how] = [(off, far <= EDGE, found.radius, True)]
    return light, rows


def all_soaps() -> None:
    pooled: dict[str, Rows] = {"the first two, soaps": {}, "all four, soaps": {}}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for light, rows in pool.map(soap, range(48), chunksize=4):
            for how, own in rows.items():
                if light in ("D65", "LED-B5"):
                    pooled["the first two, soaps"].setdefault(how, []).extend(own)
                pooled["all four, soaps"].setdefault(how, []).extend(own)
    for name, group in pooled.items():
        for how, own in group.items():
            print(line(name, how, own, 0))


def line(light: str, how: str, rows: list[tuple[float, bool, float, bool]], refused: int) -> str:
    off, inside, radius, sample = (np.array(column) for column in zip(*rows, strict=True))
    text = (
        f"| {light} | {how} | {off.mean():.2f} | {np.percentile(off, 95):.2f} | "
        f"{off[sample].mean():.2f} | {inside.mean():.1%} | {radius.mean():.1f} | {len(off)} |"
    )
    return text + (f" {refused} refused" if refused else "")


def main() -> None:
    if sys.argv[1:2] == ["--photos"]:
        photo_folder.main(Path(sys.argv[2]))
        return
    if sys.argv[1:] == ["soaps"]:
        all_soaps()
        return
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    lights = sys.argv[2:] or list(LIGHTS)
    print("| light | corrected by | mean | 95 % | mean of the 99 | covers | radius | photos |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    pooled: dict[str, Rows] = {"the first four": {}, "the other six": {}, "all ten": {}}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for light, (rows, refused) in zip(
            lights, pool.map(evaluate, lights, [every] * len(lights)), strict=True
        ):
            for how, own in rows.items():
                print(line(LIGHTS[light], how, own, refused.get(how, 0)), flush=True)
                group = "the first four" if light in MAIN else "the other six"
                for name in (group, "all ten"):
                    pooled[name].setdefault(how, []).extend(own)
    if lights == list(LIGHTS):
        for name, group_rows in pooled.items():
            for how, own in group_rows.items():
                print(line(name, how, own, 0))


if __name__ == "__main__":
    main()
