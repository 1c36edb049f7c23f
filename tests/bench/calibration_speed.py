"""How long a calibration takes where pastes scatter: ``python -m tests.bench.calibration_speed``.

One invented world of five pastes, two of which scatter (`tests.invented.worlds`): the campaign and
unseen mixtures, 20, 40 and 60 bars, with every default, so that it is found which pastes scatter;
then 20 bars with 4 % of gloss in the readings. Seconds of one processor.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import dataclasses
import sys
import time

import numpy as np

import shadematch as sm
from tests.invented import campaign, worlds


def readings(bars: int) -> list[sm.TestPour]:
    """Readings of so many bars."""
    truth = worlds.random_world(np.random.default_rng(4), pigments=5, scattering=2)
    names = tuple(truth.absorption)
    plan = campaign.in_white(campaign.campaign(names, scattering=names[:2]))
    rng = np.random.default_rng(5)
    more = [
        campaign.Planned(f"mixture {at} of more", doses, pour)
        for at, (doses, pour) in enumerate(worlds.unseen(truth, rng, bars - len(plan.pours)))
    ]
    return worlds.measured(truth, campaign.Campaign((*plan.pours, *more)), rng)


def shifted(pour: sm.TestPour, gloss: float) -> sm.TestPour:
    """The same reading with gloss in it."""
    read = tuple(v if v is None else v + gloss for v in pour.spectrum or ())
    return dataclasses.replace(pour, spectrum=read)


def main() -> int:
    """Print a table."""
    print("| bars | readings | gloss | found to scatter | seconds |")
    print("|" + " --- |" * 5)
    for bars, gloss in ((20, 0.0), (40, 0.0), (60, 0.0), (20, 0.04)):
        pours = [shifted(p, gloss) for p in readings(bars)]
        begun = time.process_time()
        found = sm.calibrate(pours)
        seconds = time.process_time() - begun
        print(
            f"| {bars} | {len(pours)} | {gloss:.0%} | {', '.join(found.scattering)} | "
            f"{seconds:.1f} |",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
