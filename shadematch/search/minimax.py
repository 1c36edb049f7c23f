"""Real-valued doses with the smallest maximum of CIEDE2000 over several views."""

from __future__ import annotations

from typing import Any

import numpy as np

from shadematch.colour.difference import squared_difference
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray

__all__ = ["minimax"]


def _squares(space: Space, targets: FloatArray, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Squared CIEDE2000 in each view and its slope by the steps, shapes (v,) and (v, n)."""
    values, slopes = [], []
    seen = space.labs_and_slopes(steps[None])
    for (lab, by_step), target in zip(seen, targets, strict=True):
        value, gradient, _ = squared_difference(lab[0], target)
        values.append(float(value))
        slopes.append(gradient @ by_step[0])
    return np.array(values), np.array(slopes)


def minimax(space: Space, targets: FloatArray, start: FloatArray) -> tuple[FloatArray, float]:
    """The smallest maximum of CIEDE2000 near a start; a local optimum, not proved.

    The unknowns are the steps and a limit, which is minimised while every view's squared
    CIEDE2000 stays below it, by sequential quadratic programming (D. Kraft, DFVLR-FB 88-28
    (1988)).

    Parameters
    ----------
    space
        Where to search, without let-downs; its limits hold, with real-valued steps.
    targets
        CIELAB in each view, shape (v, 3).
    start
        Steps, shape (n,).

    Returns
    -------
    steps
        Shape (n,), within the limits; if tubes are limited, of the start's pigments.
    delta_e
        The largest CIEDE2000 there.
    """
    limits, n = space.limits, start.size
    first = float(np.sqrt(_squares(space, targets, start)[0].max()))
    if len(targets) == 1 or first < 1e-3 or limits.total < 1:
        return start, first
    from scipy.optimize import minimize  # slow to import, so late

    low, high = limits.lower.astype(float), limits.upper.astype(float)
    if limits.max_tubes < n:
        high = np.where(start > 1e-6, high, low)
    ones, nothing = np.ones((len(targets), 1)), np.zeros(n)
    constraints: list[Any] = [
        {
            "type": "ineq",
            "fun": lambda x: x[n] - _squares(space, targets, x[:n])[0],
            "jac": lambda x: np.hstack([-_squares(space, targets, x[:n])[1], ones]),
        },
        {
            "type": "ineq",
            "fun": lambda x: np.array([limits.total - x[:n].sum()]),
            "jac": lambda _: np.append(nothing - 1.0, 0.0)[None],
        },
    ]
    solve: Any = minimize  # its stubs know no constraints given as a list of dicts
    found = solve(
        lambda x: float(x[n]),
        np.append(np.clip(start, low, high), first * first),
        jac=lambda _: np.append(nothing, 1.0),
        bounds=[*zip(low, high, strict=True), (0.0, None)],
        constraints=constraints,
        method="SLSQP",
        options={"maxiter": 120, "ftol": 1e-16},
    )
    steps = np.asarray(np.clip(found.x[:n], low, high), dtype=float)
    if not np.all(np.isfinite(steps)):
        return start, first
    over = steps.sum() - limits.total
    if over > 0:
        # Rounding: reduce the steps in proportion.
        spare = steps - low
        steps = steps - spare * min(1.0, over / max(float(spare.sum()), 1e-300))
    value = float(np.sqrt(_squares(space, targets, steps)[0].max()))
    return (steps, value) if value < first else (start, first)
