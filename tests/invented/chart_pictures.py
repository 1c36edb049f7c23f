"""Pictures that show a chart with something on it, or none but something like it.

Pictures without a chart: those that come with scikit-image (real photos and drawings), whole and
in parts; rendered scenes without a chart; and grids made to be mistaken for one: 6 x 4 patches of
other colours, of soaps, of greys, the chart's own in another order, its colours turned in hue.
"""

from __future__ import annotations

import importlib.resources
from typing import Any, Final

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_lab
from tests.invented import photos as ph

__all__ = ["COVERED", "SIZE", "STRAINED", "chartless", "covered", "strained"]

SIZE: Final = (640, 480)
COVERED: Final = ("row", "column", "corner")
STRAINED: Final = {
    "blur 2": 2.0,
    "blur 3": 3.0,
    "blur 4": 4.0,
    "warm cast": (1.0, 0.6, 0.3),
    "cold cast": (0.35, 0.6, 1.0),
    "green cast": (0.55, 1.0, 0.45),
}
_REAL: Final = (
    *("astronaut.png", "brick.png", "camera.png", "cell.png", "chelsea.png", "clock_motion.png"),
    *("coffee.png", "coins.png", "color.png", "grass.png", "gravel.png", "horse.png", "ihc.png"),
    *("hubble_deep_field.jpg", "chessboard_GRAY.png", "chessboard_RGB.png", "logo.png"),
    *("microaneurysms.png", "moon.png", "motorcycle_left.png", "page.png", "phantom.png"),
    *("retina.jpg", "rocket.jpg", "text.png"),
)
_SKIN: Final = (0.80, 0.62, 0.53)


def scene(light: str, seed: int, *, chart: bool = True) -> Any:
    """A rendered photo of a sample, paper and, unless it is left out, the chart; 0 to 1."""
    rng = np.random.default_rng([404, seed])
    return photo_of(int(rng.integers(99)), light, seed, rng, chart=chart)


def photo_of(
    sample: int, light: str, seed: int, rng: np.random.Generator, *, chart: bool = True
) -> Any:
    """The same of a given sample."""
    return ph.photograph(
        ph.cie_samples()[sample],
        light=light,
        camera=ph.cameras()[seed % 2],
        conditions=ph.Conditions.draw(rng),
        rng=rng,
        chart=chart,
        size=SIZE,
    )


def covered(kind: str, seed: int) -> tuple[Any, set[int]]:
    """A chart with a bar of the colour of skin on a quarter of it or less; which it hides."""
    rng = np.random.default_rng([405, seed])
    picture = scene(("D65", "A", "LED-B5", "ID50")[seed % 4], seed)
    column, row = int(rng.integers(6)), int(rng.integers(4))
    cells = {
        "row": [(c, row) for c in range(6)],
        "column": [(column, r) for r in range(4)],
        "corner": [(c + 4 * (column % 2), r + 2 * (row % 2)) for c in (0, 1) for r in (0, 1)],
    }[kind]
    corners = np.array(ph.CHART) * SIZE
    step = (corners[2] - corners[0]) / (5, 3)
    low = corners[0] + (np.min(cells, axis=0) - 0.5) * step
    top = corners[0] + (np.max(cells, axis=0) + 0.5) * step
    (x0, y0), (x1, y1) = np.maximum(low, 0).astype(int), top.astype(int)
    shade = rng.uniform(0.75, 1.05)
    picture[y0:y1, x0:x1] = np.clip(shade * np.array(_SKIN), 0, 1)
    return picture, {c + 6 * r for c, r in cells}


def strained(kind: str, seed: int) -> Any:
    """A chart in a soft photo, or under a strong cast."""
    what = STRAINED[kind]
    picture = scene("D65", 50 + seed)
    if isinstance(what, float):
        return gaussian_filter(picture, (what, what, 0))
    return picture * np.array(what)


def chartless(number: int) -> Any:
    """One of a hundred pictures that show no chart; uint8."""
    if number < 40:
        return _real(number)
    rng = np.random.default_rng([406, number])
    if number < 52:
        return _coded(scene(("D65", "A", "FL11", "ID50")[number % 4], 90 + number, chart=False))
    return _coded(_grid(_colours((number - 52) % 6, rng), rng))


def _real(number: int) -> Any:
    name = _REAL[number % len(_REAL)]
    place = importlib.resources.files("skimage.data").joinpath(name)
    with place.open("rb") as stream:
        picture = Image.open(stream).convert("RGB")
    if number >= len(_REAL):  # a part of it, larger
        wide, high = picture.size
        box = (wide // 4, high // 4, 3 * wide // 4, 3 * high // 4)
        picture = picture.crop(box).resize((wide, high))
    return np.asarray(picture)


def _coded(picture: Any) -> Any:
    return np.rint(255 * np.clip(picture, 0, 1)).astype(np.uint8)


def _encoded(linear: Any) -> Any:
    return ph.encode(np.clip(linear, 0, 1))


def _of_spectra(spectra: Any) -> Any:
    xyz = np.array([ph.xyz_of(s, "D65") for s in spectra])
    return _encoded(xyz / 100.0 @ ph.TO_SRGB.T)


def _colours(kind: int, rng: np.random.Generator) -> Any:
    """Of 24 patches, sRGB 0 to 1."""
    chart = ph.chart_spectra()
    if kind == 0:  # those of no chart
        return rng.uniform(0.05, 0.95, (24, 3))
    if kind == 1:
        return _of_spectra(ph.soaps(24, rng))
    if kind == 2:
        return np.repeat(np.linspace(0.05, 0.95, 24)[:, None], 3, axis=1)
    if kind == 3:  # its own, in another order
        return _of_spectra(chart[rng.permutation(24)])
    if kind == 4:  # another maker's: greys last as well, colours its own
        samples = ph.cie_samples()[rng.choice(99, 18, replace=False)]
        return np.vstack([_of_spectra(samples), _of_spectra(chart[18:])])
    white = ph.xyz_of(np.ones(ph.NM.size), "D65")
    lab = xyz_to_lab(np.array([ph.xyz_of(s, "D65") for s in chart]), white)
    turn = np.deg2rad(rng.uniform(60, 300))
    c, s = np.cos(turn), np.sin(turn)
    lab[:, 1:] = lab[:, 1:] @ np.array([[c, s], [-s, c]])
    return _encoded(lab_to_xyz(lab, white) / 100.0 @ ph.TO_SRGB.T)


def _grid(colours: Any, rng: np.random.Generator) -> Any:
    picture = np.full((SIZE[1], SIZE[0], 3), rng.uniform(0.05, 0.9))
    side, gap = int(rng.integers(50, 74)), int(rng.integers(6, 20))
    for i, colour in enumerate(colours):
        x, y = 40 + (side + gap) * (i % 6), 40 + (side + gap) * (i // 6)
        picture[y : y + side, x : x + side] = colour
    return np.clip(picture + rng.normal(0, 0.008, picture.shape), 0, 1)
