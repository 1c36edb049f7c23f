"""The real-valued optimum: nonnegative least squares under CIEDE2000.

Gauss-Newton on the square of CIEDE2000, with its exact gradient and the metric of the formula in
place of its Hessian. A step is then a least-squares problem with nonnegative unknowns and a limit
on their sum, and the result is a stationary point of CIEDE2000 itself, not of an approximation.
There are several starts, since the problem is not convex.

References
----------
C. L. Lawson, R. J. Hanson, *Solving Least Squares Problems* (1974), ch. 23 (NNLS; the limit on
the sum enters as a heavily weighted row with a slack unknown); K. Levenberg (1944) and
D. Marquardt (1963) for the damping.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.search.ideal_many import descend
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray

__all__ = ["ideal", "ideal_elsewhere"]

_STARTS: Final = 4
_SAMPLES: Final = 384
_MOST_ROOTS: Final = 70
"""More boxes of pigments than this (with a limit on tubes) are sampled more sparsely ..."""
_FEW_SAMPLES: Final = 48
_KEPT_ROOTS: Final = 12
"""... and only so many of them are looked at in earnest."""
_PAIR_SAMPLES: Final = 2000
_MOST_PAIRS: Final = 28
_ROUNDS: Final = 40
_LIMIT_WEIGHT: Final = 1e4
_FLAT: Final = 1e-100
"""Mean square slope [CIEDE2000 per step] below which no paste has any effect."""


def _sample(lo: FloatArray, hi: FloatArray, limit: float, count: int) -> FloatArray:
    """Points in the permitted region of one root box, the same each time."""
    rng = np.random.default_rng(20_240_229)
    n = lo.size
    shares = rng.dirichlet(np.full(n + 1, 0.5), size=count)[:, :n]
    room = max(limit - lo.sum(), 0.0)
    # Colour changes most at low loads, so they are sampled more densely.
    scale = rng.random((count, 1)) ** 2
    points = lo + room * shares * np.where(np.arange(count)[:, None] % 2, scale, 1.0)
    points[0] = lo
    return np.asarray(np.clip(points, lo, hi))


def ideal(
    space: Space, target: FloatArray, *, start: FloatArray | None = None
) -> tuple[FloatArray, float]:
    """Real-valued steps closest to a colour, shape (n,), and their CIEDE2000; not proved.

    Parameters
    ----------
    space
        Where to search, without let-downs; its limits hold, with real-valued steps.
    target
        CIELAB, shape (3,).
    start
        The only start, shape (n,); by default the most promising of many samples.
    """
    limits = space.limits
    if start is not None:
        lo, hi = limits.lower.astype(float), np.where(start > 0, limits.upper, 0).astype(float)
        return _descend(space, target, np.asarray(start, dtype=float), lo, hi)
    best: FloatArray = limits.lower.astype(float)
    least = float(delta_e(space.lab(best[None]), target)[0])
    for lo, hi, starts in _regions(space, target):
        for start in starts:
            steps, value = _descend(space, target, start, lo, hi)
            if value < least - 1e-9:
                best, least = steps, value
            if least < 1e-6:
                return best, least
    return best, least


def ideal_elsewhere(space: Space, target: FloatArray) -> tuple[FloatArray, float]:
    """The same from one start for each pair of pigments that may make up the most of a recipe.

    At the full load, where dark targets and those out of reach have local optima far apart.
    """
    rng = np.random.default_rng(20_240_229)
    limits = space.limits
    lo, hi = limits.lower.astype(float), limits.upper.astype(float)
    room = max(limits.total - lo.sum(), 0.0)
    points = np.clip(lo + room * rng.dirichlet(np.full(lo.size, 0.5), size=_PAIR_SAMPLES), lo, hi)
    values = delta_e(space.lab(points), target)
    order = np.argsort(values, kind="stable")
    main = np.sort(np.argsort(-points[order], axis=1)[:, :2], axis=1)
    first = np.sort(np.unique(main, axis=0, return_index=True)[1])[:_MOST_PAIRS]
    steps, values = descend(space, np.tile(target, (first.size, 1)), points[order[first]])
    best = int(np.argmin(values))
    return steps[best], float(values[best])


def _regions(
    space: Space, target: FloatArray
) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    """Root boxes, and where to start from in each; of very many only the most promising."""
    roots = [
        (lo.astype(float), hi.astype(float)) for lo, hi in zip(*space.limits.roots(), strict=True)
    ]
    if len(roots) > _MOST_ROOTS:
        points = np.stack([_sample(*root, space.limits.total, _FEW_SAMPLES) for root in roots])
        values = delta_e(space.lab(points.reshape(-1, points.shape[2])), target)
        first = np.sort(values.reshape(len(roots), -1), axis=1)[:, 0]
        roots = [roots[at] for at in np.argsort(first, kind="stable")[:_KEPT_ROOTS]]
    for lo, hi in roots:
        points = _sample(lo, hi, space.limits.total, _SAMPLES)
        values = delta_e(space.lab(points), target)
        yield lo, hi, points[np.argsort(values, kind="stable")[:_STARTS]]


def _descend(
    space: Space, target: FloatArray, start: FloatArray, lo: FloatArray, hi: FloatArray
) -> tuple[FloatArray, float]:
    steps = start.copy()
    open_ = hi > lo
    room = space.limits.total - lo.sum()
    if not open_.any() or room <= 0:
        return lo, float(delta_e(space.lab(lo[None]), target)[0])
    damping = 1e-3
    lab, slope = space.lab_and_slope(steps[None])
    square, gradient, metric = squared_difference(lab[0], target)
    for _ in range(_ROUNDS):
        J = slope[0][:, open_]
        hessian = J.T @ metric @ J
        pull = 0.5 * gradient @ J
        scale = np.trace(hessian) / hessian.shape[0]
        if scale < _FLAT:
            break
        moved = False
        for _ in range(6):
            trial = lo.copy()
            trial[open_] += _limited_step(
                hessian + damping * scale * np.eye(len(pull)), pull, (steps - lo)[open_], room
            )
            trial = np.minimum(trial, hi)
            lab, slope = space.lab_and_slope(trial[None])
            next_, next_gradient, next_metric = squared_difference(lab[0], target)
            if next_ < square:
                gain = float(square - next_)
                steps, square, gradient, metric = trial, next_, next_gradient, next_metric
                damping = max(damping * 0.2, 1e-9)
                moved = gain > 1e-12 * (1.0 + float(square))
                break
            damping *= 8.0
        if not moved or square < 1e-14:
            break
    return steps, float(np.sqrt(square))


def _limited_step(
    hessian: FloatArray, pull: FloatArray, here: FloatArray, room: float
) -> FloatArray:
    """Argmin over x >= 0, sum(x) <= room, of (x - here)' H (x - here) / 2 + pull' (x - here)."""
    from scipy.optimize import lsq_linear, nnls  # slow to import, so late

    n = pull.size
    upper = np.linalg.cholesky(hessian).T
    aim = upper @ here - np.linalg.solve(upper.T, pull)
    weight = _LIMIT_WEIGHT * np.abs(upper).max()
    rows = np.zeros((n + 1, n + 1))
    rows[:n, :n] = upper
    rows[n] = weight  # the last unknown is the slack
    goal = np.append(aim, weight * room)
    try:
        x: FloatArray = nnls(rows, goal)[0][:n]
    except RuntimeError:  # SciPy 1.12 to 1.14 give up on well-posed problems
        x = lsq_linear(rows, goal, bounds=(0.0, np.inf), method="bvls", max_iter=100).x[:n]
    total = float(x.sum())
    return x * (room / total) if total > room else x
