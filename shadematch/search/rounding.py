"""Good whole recipes near a real-valued one.

More pigments than the three numbers of a colour leave a whole family of real-valued recipes for
one colour. Somewhere along it lies a whole recipe that all but meets the target. Here the family
is sampled; around each sample all pigments but three are set to whole doses, the three are
solved for and rounded. Nothing is proved by this, it only gives the proof a good start.

References
----------
L. Babai, Combinatorica 6 (1986) 1 (rounding to a nearby lattice point).
"""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np

from shadematch.arrays import FloatArray, IntArray
from shadematch.difference import squared_difference
from shadematch.search.space import Space

__all__ = ["near_misses"]

_REACH: Final = 5
_KEPT: Final = 600


def near_misses(space: Space, target: FloatArray, ideal: FloatArray, *, samples: int) -> IntArray:
    """Whole recipes with colours near a target, shape (k, n).

    Parameters
    ----------
    space
        Where to look; results may still break its limits.
    target
        CIELAB, shape (3,).
    ideal
        Real-valued steps with about that colour, shape (n,).
    samples
        How many members of the family to look around.
    """
    free = np.flatnonzero(space.upper > space.lower)
    if free.size <= 3:
        return np.rint(ideal)[None].astype(np.int64)
    family = _family(space, target, ideal, free, samples)
    lab, slope = space.lab_and_slope(family)
    metric = squared_difference(target, target)[2]
    root = np.linalg.cholesky(metric).T
    offset = (lab - target) @ root.T
    moves = root @ slope  # (m, 3, n): per step
    # Solve for the three pigments that have the most say and are there to be varied.
    triples = list(itertools.combinations(free.tolist(), 3))
    say = np.stack([np.abs(np.linalg.det(moves[:, :, list(t)])) for t in triples], axis=1)
    there = np.stack([family[:, list(t)].min(axis=1) for t in triples], axis=1)
    pick = np.argmax(say * np.minimum(there, 4.0) + 1e-12 * say, axis=1)
    results, scores = [], []
    for index in np.unique(pick):
        rows = np.flatnonzero(pick == index)
        solved = list(triples[index])
        rest = [i for i in free.tolist() if i not in solved]
        reach = _REACH if len(rest) <= 2 else 1
        grid = np.indices((2 * reach + 1,) * len(rest)).reshape(len(rest), -1).T - reach
        chosen = np.rint(family[rows][:, None, rest]) + grid  # (m, K, rest)
        shift = chosen - family[rows][:, None, rest]
        residual = offset[rows][:, None, :] + shift @ np.swapaxes(moves[rows][:, :, rest], 1, 2)
        inverse = _right_inverse(moves[rows][:, :, solved])
        wanted = family[rows][:, None, solved] - residual @ np.swapaxes(inverse, 1, 2)
        whole = np.rint(wanted)
        miss = (whole - wanted) @ np.swapaxes(moves[rows][:, :, solved], 1, 2)
        points = np.broadcast_to(np.rint(ideal), (*whole.shape[:2], space.size)).copy()
        points[:, :, rest], points[:, :, solved] = chosen, whole
        bad = (points < 0).any(axis=2) | (points.sum(axis=2) > space.max_steps)
        results.append(points.reshape(-1, space.size))
        scores.append(np.where(bad, np.inf, np.linalg.norm(miss, axis=2)).ravel())
    score = np.concatenate(scores)
    order = np.argpartition(score, min(_KEPT, score.size) - 1)[:_KEPT]
    order = order[np.isfinite(score[order])]
    return np.unique(np.concatenate(results)[order].astype(np.int64), axis=0)


def _family(
    space: Space, target: FloatArray, ideal: FloatArray, free: IntArray, count: int
) -> FloatArray:
    """Real-valued recipes of about the same colour, shape (m, n), spread over the family."""
    rng = np.random.default_rng(20_240_301)
    lo, hi = space.lower.astype(float), space.upper.astype(float)
    points = np.tile(ideal, (count, 1))
    lengths = rng.random(count) * max(float(ideal.sum()), 8.0)
    push = rng.normal(size=(count, free.size))
    for part in range(3):
        slope = space.lab_and_slope(points)[1][:, :, free]
        inverse = _right_inverse(slope)
        inside = push - np.einsum("mij,mjk,mk->mi", inverse, slope, push)
        size = np.linalg.norm(inside, axis=1, keepdims=True)
        if part == 0:
            points[:, free] += lengths[:, None] * inside / np.maximum(size, 1e-12)
        points = np.clip(points, lo, hi)
        for _ in range(2):
            lab, slope = space.lab_and_slope(points)
            step = np.einsum("mij,mj->mi", _right_inverse(slope[:, :, free]), lab - target)
            points[:, free] -= step
            points = np.clip(points, lo, hi)
    points[0] = ideal
    return points


def _right_inverse(slopes: FloatArray) -> FloatArray:
    """Least moves, shape (m, k, 3), that change the colour by one unit; slopes (m, 3, k)."""
    turned = np.swapaxes(slopes, 1, 2)
    gram = slopes @ turned
    # A ridge far below what matters keeps black corners, where nothing moves, invertible.
    ridge = 1e-12 * np.trace(gram, axis1=1, axis2=2) + 1e-300
    return turned @ np.linalg.inv(gram + ridge[:, None, None] * np.eye(3))
