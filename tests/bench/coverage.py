"""How many real colours the demo palette reaches: ``python tests/bench/coverage.py``.

The measure is the share of the 2,734 real Munsell colours (those of colour-science) that some
permitted recipe meets within CIEDE2000 2, in clear base at 1 cm on white paper, at most 4 cm of
paste per 100 g, D65 and 2 degrees. It takes two to three minutes on one core.

How it is found out
-------------------
The colours are tabulated as xyY under illuminant C. Their Y counts magnesium oxide as 100, which
is 97.5 % of the perfect diffuser (ASTM D1535), so XYZ is multiplied by 0.975; then it is taken
to D65 by linear Bradford adaptation.

For a batch of 1 kg every one of the 1,221,759 recipes in whole centimetres is listed and its
colour predicted; no search is trusted. For each Munsell colour, a k-d tree in CIELAB finds some
near recipes, whose CIEDE2000 limits that of the closest from above. Of the rest, only those are
left out that cannot be closer: `shadematch.difference.minorant` gives a norm that stays below
CIEDE2000, and a recipe whose norm exceeds the limit is farther than the limit. CIEDE2000 of all
others is computed. The limit is never larger than 3, so the closest is exact where it is within
3, and shares within 1, 2 and 3 are exact. ``--check N`` compares N colours with plain
enumeration, where nothing at all is left out, and with `shadematch.match`.

Smaller batches have few recipes: every one is compared with every colour. Without the limit to
whole centimetres, a colour counts if it is met at 1 kg, or if the library's continuous search
reaches it; nothing is proved of that search, so this share is a lower bound.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import warnings

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
from scipy.spatial import cKDTree

import shadematch as sm
from shadematch.colorimetry import adapt, xyz_to_lab
from shadematch.difference import delta_e, minorant
from shadematch.prediction import model_for
from shadematch.search.ideal import ideal
from shadematch.search.space import Space, whole_space
from shadematch.standards import observation

LEVELS = (1.0, 2.0, 3.0)
CHUNK = 65_536
MGO = 0.975  # luminance factor of magnesium oxide


def munsell() -> tuple[list[tuple[str, float, float]], np.ndarray]:
    """The real Munsell colours.

    Returns
    -------
    names
        Hue, value and chroma of each.
    lab
        CIELAB under D65 and 2 degrees, shape (2734, 3).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour.notation import MUNSELL_COLOURS_REAL
    names = [name for name, _ in MUNSELL_COLOURS_REAL]
    x, y, luminance = np.array([xyy for _, xyy in MUNSELL_COLOURS_REAL], dtype=float).T
    xyz = MGO * (luminance / y)[:, None] * np.stack([x, y, 1.0 - x - y], axis=-1)
    white = observation("D65", "2").white
    return names, xyz_to_lab(adapt(xyz, observation("C", "2").white, white), white)


def progress(what: str, done: int, total: int, start: float) -> None:
    """One line on the error stream, written over and over."""
    end = "\n" if done == total else ""
    spent = time.perf_counter() - start
    print(f"\r{what}: {done:,} of {total:,}, {spent:.0f} s ", end=end, file=sys.stderr, flush=True)


def space_for(palette: sm.Palette, pour: sm.Pour) -> Space:
    """Everything that is permitted in a pour."""
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    return whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)


def colours_of(space: Space) -> np.ndarray:
    """CIELAB of every recipe, shape (k, 3)."""
    steps = space.recipes()
    parts, start = [], time.perf_counter()
    for i in range(0, len(steps), CHUNK):
        parts.append(space.lab(steps[i : i + CHUNK].astype(float)))
        progress("recipes", min(i + CHUNK, len(steps)), len(steps), start)
    return np.concatenate(parts)


def plain(lab: np.ndarray, target: np.ndarray) -> float:
    """The smallest CIEDE2000 with nothing left out."""
    return float(min(delta_e(lab[i : i + CHUNK], target).min() for i in range(0, len(lab), CHUNK)))


def closest(lab: np.ndarray, targets: np.ndarray, cap: float = max(LEVELS)) -> np.ndarray:
    """The smallest CIEDE2000 to any recipe, exact where it is at most `cap`.

    Parameters
    ----------
    lab
        CIELAB of all recipes, shape (k, 3).
    targets
        CIELAB, shape (t, 3).
    cap
        Above this, what is given is only known not to be at most `cap`.

    Returns
    -------
    ndarray
        Shape (t,).
    """
    _, near = cKDTree(lab).query(targets, k=32)
    best = delta_e(lab[near], targets[:, None]).min(axis=1)
    lab = lab[np.argsort(lab[:, 0])]
    start = time.perf_counter()
    for t, target in enumerate(targets):
        radius = max(min(best[t], cap), 1e-6)
        norm = minorant(target, radius)
        reach = radius / norm[0, 0]  # lightness stands alone in the norm
        first = np.searchsorted(lab[:, 0], target[0] - reach, side="left")
        last = np.searchsorted(lab[:, 0], target[0] + reach, side="right")
        part = lab[first:last]
        # A first sieve by a* alone: |W d| <= r limits each component of d.
        inner = norm[1:, 1:]
        if np.linalg.det(inner) > 1e-12:
            wide = radius * np.linalg.norm(np.linalg.inv(inner)[0]) * (1 + 1e-9)
            part = part[np.abs(part[:, 1] - target[1]) <= wide]
        part = part[np.linalg.norm((part - target) @ norm.T, axis=1) <= radius * (1 + 1e-9)]
        if len(part):
            best[t] = min(best[t], float(delta_e(part, target).min()))
        if (t + 1) % 50 == 0 or t + 1 == len(targets):
            progress("colours", t + 1, len(targets), start)
    return best


def shares(best: np.ndarray) -> str:
    """Shares within the levels, in words."""
    return ", ".join(f"{np.mean(best <= d):6.1%} within {d:g}" for d in LEVELS)


def beyond(space: Space, targets: np.ndarray, best: np.ndarray) -> np.ndarray:
    """What real-valued doses reach, where whole ones are not within the smallest level."""
    result = best.copy()
    open_ = np.flatnonzero(best > LEVELS[0])
    start = time.perf_counter()
    for done, t in enumerate(open_, 1):
        result[t] = min(best[t], ideal(space, targets[t])[1])
        if done % 50 == 0 or done == open_.size:
            progress("real-valued doses", done, open_.size, start)
    return result


def checked(lab: np.ndarray, targets: np.ndarray, best: np.ndarray, count: int) -> int:
    """How many of some colours come out otherwise by enumeration or by `shadematch.match`."""
    rng = np.random.default_rng(1)
    wrong = 0
    for t in rng.choice(len(targets), min(count, len(targets)), replace=False):
        truth = plain(lab, targets[t])
        told = sm.match(
            sm.Target(tuple(targets[t].tolist())), pour=sm.Pour(batch_g=1000)
        ).closest.delta_e
        same = abs(best[t] - truth) < 1e-9 if truth <= max(LEVELS) else best[t] > max(LEVELS)
        # The library promises the closest to within 0.01.
        wrong += not (same and truth - 1e-9 <= told <= truth + 0.01)
    return wrong


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--check", type=int, default=0, metavar="N", help="verify N colours")
    parser.add_argument("--whole-only", action="store_true", help="leave out real-valued doses")
    asked = parser.parse_args()
    palette = sm.load_palette()
    names, targets = munsell()
    print(f"{len(targets):,} real Munsell colours; pastes: {', '.join(palette.names)}")
    for batch in (100, 250):
        space = space_for(palette, sm.Pour(batch_g=batch))
        lab = colours_of(space)
        best = np.array([plain(lab, target) for target in targets])
        print(f"{batch:5} g, {len(lab):9,} recipes: {shares(best)}", flush=True)
    space = space_for(palette, sm.Pour(batch_g=1000))
    lab = colours_of(space)
    best = closest(lab, targets)
    print(f" 1000 g, {len(lab):9,} recipes: {shares(best)}", flush=True)
    if not asked.whole_only:
        print(f"real-valued doses, at least : {shares(beyond(space, targets, best))}")
    print(f"\nwithin {LEVELS[1]:g} at 1 kg by Munsell value (uncoloured: L* {lab[0, 0]:.1f})")
    value = np.array([name[1] for name in names])
    for v in np.unique(value):
        mine = value == v
        print(f"  {v:4g}  {np.mean(best[mine] <= LEVELS[1]):6.1%} of {mine.sum()}")
    if asked.check:
        wrong = checked(lab, targets, best, asked.check)
        print(f"checked {asked.check} colours by plain enumeration and match: {wrong} differ")
        return 1 if wrong else 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
