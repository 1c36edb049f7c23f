"""How much nearer the best of three shades from one pot comes than one recipe.

    python -m tests.bench.shades [--targets 30] [--settings 0 6] [--results FILE --seconds N]

In settings 0 to 5 colours and estimates are those of `tests.bench.uncertainty`: invented. In the
others they are soaps of the demo palette, computed by another solver and photographed in rendered
scenes (`tests.bench.photo`, the first 30 of its soaps): the photo's own estimate and covariance,
read with white paper or a chart in it, matched in the base that the soap was made in.

Each is poured 400 times, the three shades from one pot and the printed recipe: every squeeze, dab
and base slips evenly within 2 mm and 1 g. *Expected*: to colours drawn from the stated covariance
around the estimate, as many. *True*: to the colour that was wanted. *Anywhere*: what any three
colours could come to, without pastes, pot or slips (alternately assigned and placed anew, the best
of several starts). *Wider*: how much nearer, at most, ten times the search came (four targets
of each setting).
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import numpy as np

import shadematch as sm
from shadematch.colour.difference import delta_e, squared_difference
from shadematch.matching.match import Match
from shadematch.matching.shades import Shades
from shadematch.predicting.prediction import model_of
from shadematch.support.arrays import FloatArray
from tests.bench import photo
from tests.bench.resumed import add_options, resumed
from tests.bench.uncertainty import SETTINGS, demo, poured, tried
from tests.invented import photos as ph

INVENTED = tuple(s for s in SETTINGS if s.covariance.any() and not s.known_to)
PHOTOS: tuple[tuple[str, float, dict[str, Any]], ...] = (
    ("photo with white paper", 500, {"neutral": ph.PAPER}),
    ("photo with white paper", 1000, {"neutral": ph.PAPER}),
    ("photo with a chart", 500, {"chart": ph.CHART}),
)
PART = 5
POURS = 400
FLOOR = 0.25
WIDER = {"_NEAR": 2000, "_STARTS": 160, "_BUDGET": 10**8, "_REFINED": 60}
Key = tuple[int, int]
"""Setting and part."""


class Tried(NamedTuple):
    """Of each target: CIEDE2000 and what else the table tells."""

    one: list[float]
    three: list[float]
    anywhere: list[float]
    true_one: list[float]
    true_three: list[float]
    held: list[float]
    wider: list[float]
    seconds: list[float]


def targets(key: Key) -> Iterator[tuple[Match, FloatArray]]:
    """Matches and the colours that were wanted."""
    at, part = key
    if at < len(INVENTED):
        palette, seen = demo(INVENTED[at], 0)
        for found, wanted, *_ in tried(INVENTED[at], palette, seen, PART, 100 + part):
            yield found, wanted
        return
    _, batch_g, options = PHOTOS[at - len(INVENTED)]
    for number in range(PART * part, PART * part + PART):
        with tempfile.TemporaryDirectory() as folder:
            _, palette, pour, true, place = photo.soap_photo(number, Path(folder))
            read = sm.read_photo(place, region=ph.SAMPLE, **options)
        pour = sm.Pour(batch_g=batch_g, white=pour.white)
        yield sm.match(read, palette=palette, pour=pour), true


def from_pot(shades: Shades, names: tuple[str, ...], rng: np.random.Generator) -> FloatArray:
    """Loads of the shades in many pours, shape (POURS, shades, n), by what is done to the pot."""
    mass = shades[0].recipe.pour.batch_g + rng.uniform(-1.0, 1.0, (POURS, 1))
    held, loads = np.zeros((POURS, len(names))), []
    for shade in shades:
        doses = np.array([shade.added.get(name, 0.0) for name in names])
        slips = rng.uniform(-0.2, 0.2, held.shape)
        held = held + np.where(doses > 0, np.maximum(doses + slips, 0.0), 0.0)
        loads.append(100.0 * held / mass)
        dab = shades.dab_g + rng.uniform(-1.0, 1.0, mass.shape)
        held, mass = held * (1.0 - dab / mass), mass - dab
    return np.stack(loads, axis=1)


def anywhere(goals: FloatArray, rng: np.random.Generator) -> float:
    """Mean CIEDE2000 of goals to the nearest of three colours, placed as well as can be."""
    best = np.inf
    for _ in range(6):
        three = rng.choice(goals, 3, replace=False)
        for _ in range(30):
            off = delta_e(three[:, None], goals)
            best = min(best, float(off.min(axis=0).mean()))
            for k in range(3):
                mine = off.argmin(axis=0) == k
                if mine.any():
                    metric = squared_difference(three[k], goals[mine])[2]
                    metric = metric / np.maximum(off[k, mine], 0.3)[:, None, None]
                    pull = np.einsum("pij,pj->i", metric, goals[mine])
                    three[k] = np.linalg.solve(metric.sum(axis=0), pull)
    return best


def solved(key: Key) -> Tried:
    """One part of a setting."""
    result = Tried(**{name: [] for name in Tried._fields})
    for number, (found, wanted) in enumerate(targets(key)):
        rng = np.random.default_rng([*key, number])
        begun = time.process_time()
        made = found.shades(3)
        result.seconds.append(time.process_time() - begun)
        names, covariance = found.palette.names, np.array(found.target.covariance)
        model = model_of(found.palette, found.pour, found.view)
        labs = model.lab(from_pot(made, names, rng))
        alone = model.lab(poured(found.recipe, names, rng.uniform(-1, 1, (POURS, len(names) + 1))))
        goals = rng.multivariate_normal(found.target.lab, covariance, POURS)
        nearest = delta_e(labs, goals[:, None]).min(axis=1)
        result.three.append(float(nearest.mean()))
        result.one.append(float(delta_e(alone, goals).mean()))
        result.anywhere.append(anywhere(goals, rng))
        result.true_three.append(float(delta_e(labs, wanted).min(axis=1).mean()))
        result.true_one.append(float(delta_e(alone, wanted).mean()))
        result.held.append(float(np.mean(nearest <= made.p90)))
        if not number and key[1] < 4:
            with patch.multiple("shadematch.matching.chains", **WIDER):
                result.wider.append(1.0 - found.shades(3).expected / made.expected)
    return result


def row(at: int, parts: list[Tried]) -> tuple[str, bool]:
    """A line of the table, and whether three are as much nearer as asked."""
    if at < len(INVENTED):
        name, batch_g = INVENTED[at].name, INVENTED[at].batch_g
    else:
        name, batch_g, _ = PHOTOS[at - len(INVENTED)]
    every = Tried(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    one, three, best, true_one, true_three, held = (np.mean(column) for column in every[:6])
    again = np.random.default_rng(0).integers(0, len(every.one), (2000, len(every.one)))
    nearer, farther = (np.array(each)[again] for each in (every.true_three, every.true_one))
    truly = nearer.mean(axis=1) / farther.mean(axis=1)
    return (
        f"| {name} | {batch_g:g} g | {len(every.one)} | {one:.2f} | {three:.2f} | "
        f"{three / one - 1:+.0%} | {best / one - 1:+.0%} | {held:.0%} | "
        f"{true_one:.2f} | {true_three:.2f} | {true_three / true_one - 1:+.0%} "
        f"+- {truly.std():.0%} | {max(every.wider):.1%} | {np.median(every.seconds):.1f} s |"
    ), bool(three <= (1.0 - FLOOR) * one)


def _read(key: list[int], told: list[Any]) -> tuple[Key, Tried]:
    return (key[0], key[1]), Tried(*told)


def main() -> int:
    """Print the table."""
    count = len(INVENTED) + len(PHOTOS)
    parser = argparse.ArgumentParser(description="Three shades from one pot against one recipe.")
    parser.add_argument("--targets", type=int, default=30)
    parser.add_argument("--settings", type=int, nargs="*", default=range(count))
    add_options(parser)
    asked = parser.parse_args()
    keys = [(at, part) for part in range(max(asked.targets // PART, 1)) for at in asked.settings]
    found, complete = resumed(keys, solved, asked, _read)
    print(
        "| setting | batch | targets | one, expected | best of three | change | anywhere | "
        "nine in ten holds | one, true | best of three | change | wider | median |"
    )
    print("| --- " * 13 + "|")
    missed = []
    for at in asked.settings:
        if parts := [found[key] for key in keys if key in found and key[0] == at]:
            line, good = row(at, parts)
            print(line)
            missed += [] if good else [str(at)]
    print(f"\nless than 25 %: {', '.join(missed) or 'none'}{'' if complete else '; not complete'}")
    return len(missed)


if __name__ == "__main__":
    sys.exit(main())
