"""Films and paints measured elsewhere: ``python -m tests.bench.films [worlds] [kind ...]``.

In invented sets of colourants (`tests/invented/films.py` tells which kinds there are and who
computes them), readings with 0.3 % noise and 0.4 % errors of loads are written to a CSV file in
percent, 400 to 700 nm, read back, and calibrated with every default. Then 40 mixtures of two to
four colourants that were not measured are predicted. CIEDE2000 (D65) and root mean square of the
spectra against the exact reading; coverage of the 90 % region by fresh readings. Beside it the
two-flux model (Kubelka-Munk with Saunderson's correction, the latter's constant the best of a list;
for transmittances the law of Beer and Lambert) fitted to the same readings, knowing whether films
hide their backing.

``python -m tests.bench.films --folder FOLDER`` does the same with a measured set instead, which is
not in the tree; `tests.bench.measured_films` tells how it is laid out, and what is predicted.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.support.arrays import FloatArray
from tests.bench import measured_films
from tests.bench.twoflux import FilmFlux
from tests.invented import films, worlds

HELD_OUT = 40


def rms(a: FloatArray, b: FloatArray) -> float:
    """Root mean square difference at the measured wavelengths."""
    return float(np.sqrt(np.mean((a - b)[films._AT] ** 2)))


def try_films(
    kind: str, seed: int
) -> tuple[list[float], list[float], list[float], list[float], list[bool], float, int]:
    """CIEDE2000 of ours and two-flux, spectral errors of both, coverage, seconds, readings."""
    rng = np.random.default_rng([seed, 5])
    made = films.films(kind, rng)
    with tempfile.TemporaryDirectory() as folder:
        path, cards = made.write(Path(folder), made.learnt(), rng)
        pours = sm.read_test_pours(
            path, backings=cards, reflectance_unit="percent", pour=sm.Pour(batch_g=100)
        )
    begun = time.perf_counter()
    found = sm.calibrate(pours)
    seconds = time.perf_counter() - begun
    flux = FilmFlux(pours, made.names, hiding=made.shares)
    ours, theirs, spectral, spectral_flux, inside = [], [], [], [], []
    for loads in made.held_out(rng, HELD_OUT):
        fresh = made.readings(loads, rng)
        for backing in made.backings:
            view, exact = made.view(backing), made.spectrum(loads, backing)
            lab = worlds.lab_of(exact)
            interval = found.interval(loads, view=view)
            other = flux.spectrum(loads, view)
            ours.append(float(delta_e(np.array(interval.lab), lab)))
            theirs.append(float(delta_e(worlds.lab_of(other), lab)))
            spectral.append(rms(interval.reflectance, exact))
            spectral_flux.append(rms(other, exact))
            read = sm.TestPour.from_spectrum(
                loads, films.GRID, fresh[backing], view=view, pour=sm.Pour(batch_g=100)
            )
            inside.append(interval.contains(read.lab_seen))
    return ours, theirs, spectral, spectral_flux, inside, seconds, len(pours)


def main() -> int:
    """Print a table."""
    parser = argparse.ArgumentParser(description="The calibration on films.")
    parser.add_argument("worlds", nargs="?", type=int, default=4, help="invented sets of each kind")
    parser.add_argument("kinds", nargs="*", default=[], help="by default all")
    parser.add_argument("--folder", type=Path, help="a measured set instead")
    args = parser.parse_args()
    if args.folder is not None:
        return measured_films.main(args.folder)
    print(
        "| kind | readings | mean | 95th | spectral rms | 90 % region holds | seconds | "
        "two-flux mean | two-flux 95th | two-flux rms |"
    )
    print("|" + " --- |" * 10)
    for kind in args.kinds or films.KINDS:
        got = [try_films(kind, seed) for seed in range(args.worlds)]
        ours, theirs, spectral, flux = (np.concatenate([g[k] for g in got]) for k in range(4))
        holds = np.mean(np.concatenate([g[4] for g in got]))
        print(
            f"| {kind} | {got[0][6]} | {ours.mean():.2f} | {np.quantile(ours, 0.95):.2f} | "
            f"{np.sqrt(np.mean(spectral**2)):.4f} | {holds:.1%} | "
            f"{np.mean([g[5] for g in got]):.1f} | {theirs.mean():.2f} | "
            f"{np.quantile(theirs, 0.95):.2f} | {np.sqrt(np.mean(flux**2)):.4f} |",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
