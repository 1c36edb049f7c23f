"""Real photos of a 24-patch chart: how near its own patches come, each read by the others.

    python -m tests.bench.photo --photos FOLDER

Nothing in these photos was measured, so the chart's published colours are the truth, and its own
departure from them (about 1 CIEDE2000) is in every figure. Each patch is read with the chart less
that patch; by a white patch, by a grey one, by both; by the paper about the chart; and by nothing.
"""

from __future__ import annotations

import functools
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.photo import read
from shadematch.photo.chart import homography
from shadematch.photo.files import open_photo
from shadematch.photo.mean import mean_of

EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9
WHITE, LIGHT_GREY, GREY = 18, 20, 21
"""Numbers of the patches that serve as neutrals."""


class Row(NamedTuple):
    """How one patch was read by one way."""

    way: str
    off: float  # CIEDE2000
    covered: bool
    radius: float
    squares: tuple[float, ...]  # of the errors of L*, a*, b* by their variances
    density: float  # log of what was stated at the truth, without its constant


def paper_about(picture: Any, corners: Any) -> tuple[sm.Region, ...]:
    """Four even places on the sheet around the chart, the brightest there are."""
    to_photo = homography(np.array([(0, 0), (5, 0), (5, 3), (0, 3)], dtype=float), corners)
    square = 0.2 * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)], dtype=float)
    found = []
    for x in np.arange(-2.5, 7.6, 0.5):
        for y in np.arange(-2.5, 5.6, 0.5):
            if -1.0 < x < 6.0 and -1.0 < y < 4.0:
                continue
            spots = np.column_stack([square + np.array([x, y]), np.ones(4)]) @ to_photo.T
            region = sm.Region.polygon(*(spots[:, :2] / spots[:, 2:]).tolist())
            try:
                mean = mean_of(picture, (region,))
            except sm.PhotoError:
                continue
            if mean.spread.max() < 1.5:
                found.append((mean.xyz[1], region))
    top = max(y for y, _ in found)
    bright = [r for y, r in found if y > 0.7 * top]
    return tuple(bright[:: max(1, len(bright) // 4)][:4])


_opened = functools.lru_cache(maxsize=1)(open_photo)
"""A picture; the last one is kept."""


def photo(path: Path) -> tuple[list[Row], list[str]]:
    """All patches of one photo, read in all ways, and what was refused."""
    try:
        with mock.patch.object(read, "open_photo", _opened):
            return _photo(path)
    finally:
        _opened.cache_clear()


@dataclass(frozen=True, eq=False)
class Sheet:
    """A photo of a chart, and all that its patches are read by."""

    picture: Any
    corners: Any
    patches: Any
    left_out: tuple[int, ...]
    lab: Any  # of the patches, by the reference that fits better; shape (24, 3)
    ways: dict[str, tuple[set[int], tuple[sm.Neutral, ...]]]
    """Patches that serve as neutrals, and the neutrals, by way."""


def sheet(path: Path) -> Sheet:
    """What a photo shows."""
    picture = _opened(path)
    chart = sm.find_chart(path)
    patches = chart.patches(picture.width, picture.height)
    made = sm.read_photo(path, region=patches[0], chart=chart).method
    xyz = next(v for name, v in chart.references.items() if name in made)

    def card(number: int) -> sm.Neutral:
        return sm.Neutral((patches[number],), reflectance=float(xyz[number, 1] / 100.0))

    ways: dict[str, tuple[set[int], tuple[sm.Neutral, ...]]] = {
        "white patch": ({WHITE}, (card(WHITE),)),
        "light grey patch": ({LIGHT_GREY}, (card(LIGHT_GREY),)),
        "grey patch": ({GREY}, (card(GREY),)),
        "white and grey": ({WHITE, GREY}, (card(WHITE), card(GREY))),
        "paper": (set(), (sm.Neutral(paper_about(picture, np.array(chart.corners))),)),
        "nothing": (set(), ()),
    }
    lab = xyz_to_lab(xyz, observation("D65").white)
    return Sheet(
        picture=picture,
        corners=chart.corners,
        patches=patches,
        left_out=chart.left_out,
        lab=lab,
        ways=ways,
    )


def row(way: str, found: sm.Target, lab: Any) -> Row:
    """How a target found by some way stands to the truth."""
    error = np.array(found.lab) - lab
    covariance = np.array(found.covariance)
    far = float(error @ np.linalg.solve(covariance, error))
    square = error**2 / np.diag(covariance)
    off = float(delta_e(np.array(found.lab), lab))
    density = -0.5 * (far + float(np.linalg.slogdet(covariance)[1]))
    return Row(
        way=way,
        off=off,
        covered=far <= EDGE,
        radius=found.radius,
        squares=tuple(square.tolist()),
        density=density,
    )


def _photo(path: Path) -> tuple[list[Row], list[str]]:
    seen = sheet(path)
    rows: list[Row] = []
    refused = []
    for i in range(24):
        left_out = tuple({*seen.left_out, i})
        options: dict[str, tuple[set[int], dict[str, Any]]] = {
            "chart, less one": (set(), {"chart": sm.Chart(seen.corners, None, left_out)})
        }
        options |= {w: (own, {"neutral": n} if n else {}) for w, (own, n) in seen.ways.items()}
        for way, (own, given) in options.items():
            if i in own or i in seen.left_out:
                continue
            try:
                found = sm.read_photo(path, region=seen.patches[i], **given).target
            except sm.PhotoError as error:
                refused.append(f"{path.name}, patch {i}, {way}: {error}")
                continue
            rows.append(row(way, found, seen.lab[i]))
    return rows, refused


def table(rows: list[Row]) -> None:
    """Print what the rows come to, by way."""
    print("| read by | mean | 95 % | 90 % holds | radius | squares of errors | patches |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for way in dict.fromkeys(one.way for one in rows):
        own = [one for one in rows if one.way == way]
        off = np.array([one.off for one in own])
        inside, radius = np.mean([(one.covered, one.radius) for one in own], axis=0)
        square = np.mean([one.squares for one in own], axis=0)
        print(
            f"| {way} | {off.mean():.2f} | {np.percentile(off, 95):.1f} | {inside:.1%} | "
            f"{radius:.1f} | {', '.join(f'{v:.1f}' for v in square)} | {len(own)} |"
        )


def main(folder: Path) -> None:
    """Print the table."""
    places = sorted(p for p in folder.iterdir() if p.suffix.lower() in (".jpg", ".jpeg", ".png"))
    rows: list[Row] = []
    refused: list[str] = []
    charts = 0
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        for place, task in [(p, pool.submit(photo, p)) for p in places]:
            try:
                own, bad = task.result()
            except sm.PhotoError as error:
                refused.append(f"{place.name}: {error}")
                continue
            charts += 1
            rows += own
            refused += bad
    print(f"{charts} of {len(places)} photos show a chart that is found")
    table(rows)
    for text in refused:
        print("refused:", text)
