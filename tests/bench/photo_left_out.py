"""Real photos, each read with terms that were chosen without it.

    python -m tests.bench.photo_left_out FOLDER [--results FILE] [--seconds N]

The terms of `shadematch.photo.inference` were chosen with real photos in view, so
`tests.bench.photo --photos` flatters them. Here they are chosen anew for each photo, by the others
alone: from the terms that were believed before any real photo was weighed, one term moves by a step
as long as the others' errors become more probable (mean log of the stated density, over all ways of
reading but the chart). A factor of all widths moves, too. Then the photo itself is read.
"""

from __future__ import annotations

import argparse
import functools
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

import shadematch as sm
from shadematch.photo import read, surfaces as surfaces_module
from shadematch.photo.inference import BELIEF, Terms, infer
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.surfaces import Surfaces
from tests.bench.photo_folder import Row, Sheet, row, sheet, table
from tests.bench.resumed import add_options, resumed

BEFORE = (0.9, 0.2, -0.15, 93.6, 0.0)
"""p and q of the curve, log of the exposure, L* of paper, log of the factor of all widths."""
STEPS = (0.05, 0.05, 0.04, 0.65, 0.1)
ROUNDS = 15
Steps = tuple[int, ...]
Key = tuple[Steps, int, bool]
"""Steps from `BEFORE`, number of a photo, and whether it is read by its chart, too."""
_WIDTHS = ("curve_sd", "lab_sd", "chroma_sd", "own_sd", "own_share", "paper_sd")


def terms_of(setting: Sequence[float]) -> Terms:
    """What is believed of photos by a setting."""
    p, q, exposure, paper, width = setting
    factor = float(np.exp(width))
    wide: dict[str, Any] = {
        name: tuple(factor * v for v in getattr(BELIEF, name)) for name in _WIDTHS
    }
    wide |= {n: factor * getattr(BELIEF, n) for n in ("exposure_sd", "balance_sd", "mix_sd")}
    return replace(
        BELIEF, curve=(p, q), exposure=exposure, paper=(paper, *BELIEF.paper[1:]), **wide
    )


@contextmanager
def believed(terms: Terms) -> Iterator[None]:
    """The package reads photos by these terms."""
    with (
        mock.patch.object(surfaces_module, "BELIEF", terms),
        mock.patch.object(surfaces_module, "infer", functools.partial(infer, belief=terms)),
    ):
        yield


def told(surfaces: Surfaces, evidence: Any, seen: Any) -> sm.Target:
    """The target that `read_photo` makes of a region."""
    lab, parts = read._colour(surfaces, evidence.inferred, seen, [])
    return sm.Target(tuple(lab.tolist()), covariance=sum(c for _, c in parts))


def mean_or_none(seen: Sheet, number: int) -> Mean | None:
    """Mean of a patch, if it can be read."""
    try:
        return mean_of(seen.picture, (seen.patches[number],))
    except sm.PhotoError:
        return None


def rows_of(seen: Sheet, means: Sequence[Mean | None], with_chart: bool) -> list[Row]:
    """All patches of a photo by all ways, as the package now believes."""
    rows = []
    usable = [i for i in range(24) if i not in seen.left_out and means[i] is not None]
    for way, (own, neutrals) in seen.ways.items():
        surfaces = Surfaces(seen.picture, None)
        try:
            for one in neutrals:
                surfaces.add_neutral(one)
        except sm.PhotoError:
            continue  # counted by tests.bench.photo
        evidence = surfaces.infer()
        rows += [
            row(way, told(surfaces, evidence, means[i]), seen.lab[i])
            for i in usable
            if i not in own
        ]
    for i in usable if with_chart else ():
        surfaces = Surfaces(seen.picture, None)
        less = sm.Chart(seen.corners, None, tuple({*seen.left_out, i}))
        evidence = surfaces.infer_with(less)
        rows.append(row("chart, less one", told(surfaces, evidence, means[i]), seen.lab[i]))
    return rows


def density(rows: Sequence[Row]) -> float:
    """Mean log of the density of the errors, all ways counting alike."""
    ways = {one.way for one in rows}
    return float(np.mean([np.mean([r.density for r in rows if r.way == way]) for way in ways]))


def neighbours(steps: Steps) -> list[Steps]:
    """The setting itself, and one step along each term."""
    moved = [steps]
    for k in range(len(steps)):
        moved += [(*steps[:k], steps[k] + by, *steps[k + 1 :]) for by in (-1, 1)]
    return moved


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    add_options(parser)
    asked = parser.parse_args()
    end = time.monotonic() + asked.seconds
    places = sorted(p for p in asked.folder.iterdir() if p.suffix.lower() in (".jpg", ".png"))

    @functools.cache
    def opened(number: int) -> tuple[Sheet, list[Mean | None]]:
        seen = sheet(places[number])
        return seen, [mean_or_none(seen, i) for i in range(24)]

    @functools.cache
    def solve(key: Key) -> list[Row]:
        steps, number, with_chart = key
        setting = [b + n * s for b, n, s in zip(BEFORE, steps, STEPS, strict=True)]
        with believed(terms_of(setting)):
            return rows_of(*opened(number), with_chart)

    def found(keys: Sequence[Key]) -> dict[Key, list[Row]]:
        asked.seconds = end - time.monotonic()
        told, complete = resumed(
            keys,
            solve,
            asked,
            lambda k, v: ((tuple(k[0]), k[1], k[2]), [Row(*one) for one in v]),
        )
        if not complete:
            sys.exit(f"{len(told)} done; run again with the same --results to go on")
        return told

    every = range(len(places))
    now: list[Steps] = [(0,) * len(BEFORE) for _ in every]
    for _ in range(ROUNDS):
        # All photos by one setting before the next setting, so that the folds share them.
        tried = {steps for own in now for steps in neighbours(own)}
        known = found([(steps, n, False) for steps in sorted(tried) for n in every])

        def of_others(steps: Steps, left_out: int) -> float:
            return float(np.mean([density(known[steps, n, False]) for n in every if n != left_out]))

        best = [max(neighbours(own), key=lambda s: of_others(s, n)) for n, own in enumerate(now)]
        moved, now = best != now, best
        if not moved:
            break
    for place, steps in zip(places, now, strict=True):
        setting = [b + n * s for b, n, s in zip(BEFORE, steps, STEPS, strict=True)]
        print(f"{place.name}: {', '.join(f'{v:.2f}' for v in setting)}", file=sys.stderr)
    last = found([(steps, n, True) for n, steps in enumerate(now)])
    table([one for n, steps in enumerate(now) for one in last[steps, n, True]])


if __name__ == "__main__":
    main()
