"""Real-valued optima for many targets at once.

The Gauss-Newton method of `ideal` on arrays: all targets take their steps in the same few calls,
so thousands cost little more than one. Starts are sampled recipes, the nearest in a space where
CIEDE2000 is nearly Euclidean.

References
----------
J. Nocedal, S. J. Wright, *Numerical Optimization* (2006), ch. 16.5 (active sets for quadratic
problems); K. Levenberg (1944) and D. Marquardt (1963) for the damping.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.search.space import Space
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Cloud", "Measure", "descend", "evened"]

Measure = Literal["ciede2000", "lab"]
"""What is minimised: CIEDE2000, or the Euclidean distance in CIELAB."""

_ROUNDS: Final = 60
_MET: Final = 1e-9
"""Squared difference below which a target counts as reached."""
_CHUNK: Final = 4096
_NEAR: Final = 24
_LIGHTNESS: Final = np.linspace(0.0, 100.0, 401)
_SQUARE: Final = (0.5 * (_LIGHTNESS[1:] + _LIGHTNESS[:-1]) - 50.0) ** 2
_STEPS: Final = np.diff(_LIGHTNESS) / (1.0 + 0.015 * _SQUARE / np.sqrt(20.0 + _SQUARE))
_EVEN_LIGHTNESS: Final = np.concatenate([[0.0], np.cumsum(_STEPS)])
"""Lightness over its weight S_L, integrated by the midpoint rule."""


def evened(lab: FloatArray) -> FloatArray:
    """CIELAB compressed so that CIEDE2000 is roughly the Euclidean distance, shape (..., 3).

    Lightness and chroma are integrated over their weights S_L and S_C; hue is kept. For finding
    neighbours, not for measuring.
    """
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    shrunk = np.log1p(0.045 * chroma) / 0.045
    factor = np.divide(shrunk, chroma, out=np.ones_like(chroma), where=chroma > 0)
    lightness = np.interp(lab[..., 0], _LIGHTNESS, _EVEN_LIGHTNESS)
    return np.stack([lightness, lab[..., 1] * factor, lab[..., 2] * factor], axis=-1)


class Cloud:
    """Sampled recipes with their colours, as starts.

    Parameters
    ----------
    space
        The space of the recipes.
    steps
        Real-valued steps, shape (k, n).
    kinds
        Which part of the region each was sampled from, shape (k,); starts come from different
        parts first, since different optima lie there.
    """

    def __init__(self, space: Space, steps: FloatArray, kinds: IntArray) -> None:
        from scipy.spatial import cKDTree

        self.space = space
        self.steps = steps
        self.kinds = kinds
        self.lab = space.lab(steps)
        self._trees = {
            "ciede2000": cKDTree(evened(self.lab)),
            "lab": cKDTree(self.lab),
        }

    def starts(self, targets: FloatArray, count: int, measure: Measure) -> IntArray:
        """Positions of good starts for targets of shape (t, 3), best first; shape (t, count)."""
        near = min(_NEAR * count, len(self.steps))
        asked = evened(targets) if measure == "ciede2000" else targets
        at = self._trees[measure].query(asked, k=near)[1].reshape(len(targets), near)
        if measure == "ciede2000":
            far = delta_e(self.lab[at], targets[:, None, :])
        else:
            far = np.linalg.norm(self.lab[at] - targets[:, None, :], axis=2)
        order = np.argsort(far, axis=1, kind="stable")
        at = np.take_along_axis(at, order, axis=1)
        kinds = self.kinds[at]
        # The best of each part come first, then the rest.
        repeated = np.zeros(at.shape, dtype=bool)
        for j in range(1, near):
            repeated[:, j] = (kinds[:, :j] == kinds[:, j : j + 1]).any(axis=1)
        order = np.argsort(repeated, axis=1, kind="stable")[:, :count]
        return np.asarray(np.take_along_axis(at, order, axis=1))

    def nearest(
        self, targets: FloatArray, *, starts: int = 4, measure: Measure = "ciede2000"
    ) -> tuple[FloatArray, FloatArray]:
        """Real-valued steps closest to each target.

        Parameters
        ----------
        targets
            CIELAB, shape (t, 3).
        starts
            Most starts; a target that is reached from the first needs no others.
        measure
            What is minimised.

        Returns
        -------
        steps, values
            Shapes (t, n) and (t,). Local optima from the best of the starts; nothing is proved.
        """
        steps = np.empty((len(targets), self.space.size))
        values = np.full(len(targets), np.inf)
        for first in range(0, len(targets), _CHUNK):
            part = slice(first, first + _CHUNK)
            goals = targets[part]
            at = self.starts(goals, starts, measure)
            found, value = descend(self.space, goals, self.steps[at[:, 0]], measure=measure)
            steps[part], values[part] = found, value
            left = np.flatnonzero(value > 1e-3)
            others = at.shape[1] - 1
            if not left.size or not others:
                continue
            # The other starts all at once, for those not reached from the first.
            found, value = descend(
                self.space,
                np.repeat(goals[left], others, axis=0),
                self.steps[at[left, 1:].ravel()],
                measure=measure,
            )
            value = value.reshape(-1, others)
            pick = np.argmin(value, axis=1)
            rows = np.arange(left.size)
            better = value[rows, pick] < values[part][left]
            into = first + left[better]
            steps[into] = found.reshape(left.size, others, -1)[rows, pick][better]
            values[into] = value[rows, pick][better]
        return steps, values


def _square(
    lab: FloatArray, targets: FloatArray, measure: Measure
) -> tuple[FloatArray, FloatArray, FloatArray]:
    if measure == "ciede2000":
        return squared_difference(lab, targets)
    away = lab - targets
    metric = np.broadcast_to(np.eye(3), (*away.shape[:-1], 3, 3))
    return np.einsum("...c,...c->...", away, away), 2.0 * away, metric


def descend(
    space: Space, targets: FloatArray, starts: FloatArray, *, measure: Measure = "ciede2000"
) -> tuple[FloatArray, FloatArray]:
    """Descend from each start to the local optimum for its target.

    Parameters
    ----------
    space
        Its limits on doses and their sum hold; pigments with an upper limit of zero and, if the
        number of tubes is limited, those not in the start stay out.
    targets, starts
        Shapes (t, 3) and (t, n).
    measure
        What is minimised.

    Returns
    -------
    steps, values
        Shapes (t, n) and (t,).
    """
    count = len(targets)
    steps = np.array(starts, dtype=float)
    lo, hi = space.limits.lower, space.limits.upper
    room = space.limits.total - lo.sum()
    open_ = np.broadcast_to(space.limits.upper > 0, steps.shape)
    if space.limits.max_tubes < space.size:
        open_ = open_ & (steps > 0)
    lab, slope = space.lab_and_slope(steps)
    square, gradient, metric = _square(lab, targets, measure)
    square, gradient, metric = square.copy(), gradient.copy(), metric.copy()
    damping = np.full(count, 1e-3)
    tries = np.zeros(count, dtype=np.intp)
    active = np.flatnonzero(square > _MET)
    eye = np.eye(space.size)
    for _ in range(_ROUNDS):
        if not active.size:
            break
        J = slope[active]
        hessian = np.swapaxes(J, 1, 2) @ metric[active] @ J
        pull = 0.5 * np.einsum("tc,tcn->tn", gradient[active], J)
        scale = np.trace(hessian, axis1=1, axis2=2) / space.size
        ridge = np.maximum(damping[active] * scale, 1e-12 * scale + 1e-300)
        hessian = hessian + ridge[:, None, None] * eye
        trial = _limited_steps(hessian, pull, steps[active] - lo, open_[active], room)
        trial = np.minimum(trial + lo, hi)
        lab_, slope_ = space.lab_and_slope(trial)
        square_, gradient_, metric_ = _square(lab_, targets[active], measure)
        lower = square_ < square[active]
        rows = active[lower]
        gain = square[rows] - square_[lower]
        steps[rows], slope[rows] = trial[lower], slope_[lower]
        square[rows], gradient[rows], metric[rows] = (
            square_[lower],
            gradient_[lower],
            metric_[lower],
        )
        damping[rows] = np.maximum(damping[rows] * 0.2, 1e-9)
        tries[rows] = 0
        failed = active[~lower]
        damping[failed] *= 8.0
        tries[failed] += 1
        done = np.zeros(count, dtype=bool)
        done[rows] = (gain <= 1e-8 * (1.0 + square[rows])) | (square[rows] <= _MET)
        done[failed] = tries[failed] >= 6
        active = active[~done[active]]
    return steps, np.sqrt(square)


def _limited_steps(
    hessian: FloatArray, pull: FloatArray, here: FloatArray, open_: BoolArray, room: float
) -> FloatArray:
    """Argmin over x >= 0, sum(x) <= room, of (x - here)' H (x - here) / 2 + pull' (x - here).

    For many problems at once, by a primal active-set method with the slack as a further unknown, so
    that the active set is a set of unknowns at zero.
    """
    count, n = here.shape
    z = np.concatenate([here, np.maximum(room - here.sum(axis=1, keepdims=True), 0.0)], axis=1)
    may = np.concatenate([open_, np.ones((count, 1), dtype=bool)], axis=1)
    z = np.where(may, np.maximum(z, 0.0), 0.0)
    tiny = 1e-12 * room
    free = may & (z > tiny)
    full = np.zeros((count, n + 1, n + 1))
    full[:, :n, :n] = hessian
    begin = z.copy()
    linear = np.concatenate([pull, np.zeros((count, 1))], axis=1)
    left = np.arange(count)
    diagonal = np.arange(n + 1)
    for _ in range(4 * (n + 2)):
        H, f = full[left], free[left]
        slope = linear[left] + np.einsum("tij,tj->ti", H, z[left] - begin[left])
        system = np.zeros((left.size, n + 2, n + 2))
        system[:, : n + 1, : n + 1] = np.where(f[:, :, None] & f[:, None, :], H, 0.0)
        system[:, diagonal, diagonal] += np.where(f, 0.0, 1.0)
        system[:, : n + 1, n + 1] = f
        system[:, n + 1, : n + 1] = f
        # Scaling the multiplier's row keeps the system well conditioned.
        weight = np.maximum(np.trace(H, axis1=1, axis2=2), 1e-300)
        system[:, : n + 1, n + 1] *= weight[:, None]
        system[:, n + 1, : n + 1] *= weight[:, None]
        right = np.zeros((left.size, n + 2))
        right[:, : n + 1] = np.where(f, -slope, 0.0)
        answer = np.linalg.solve(system, right[:, :, None])[:, :, 0]
        move, price = np.where(f, answer[:, : n + 1], 0.0), answer[:, n + 1] * weight
        falling = f & (move < -1e-300)
        share = np.where(falling, -z[left] / np.where(falling, move, -1.0), np.inf)
        blocking = np.argmin(share, axis=1)
        most = share[np.arange(left.size), blocking]
        whole = most >= 1.0
        z[left] = np.maximum(z[left] + np.minimum(most, 1.0)[:, None] * move, 0.0)
        stopped = np.flatnonzero(~whole)
        z[left[stopped], blocking[stopped]] = 0.0
        free[left[stopped], blocking[stopped]] = False
        # After a full step: should an unknown at zero grow?
        slope = linear[left] + np.einsum("tij,tj->ti", H, z[left] - begin[left])
        gain = np.where(may[left] & ~f, slope + price[:, None], np.inf)
        worst = np.argmin(gain, axis=1)
        better = gain[np.arange(left.size), worst] < -1e-9 * np.abs(slope).max(axis=1)
        grow = np.flatnonzero(whole & better)
        free[left[grow], worst[grow]] = True
        left = left[~whole | better]
        if not left.size:
            break
    x = z[:, :n]
    total = x.sum(axis=1, keepdims=True)
    return np.where(total > room, x * (room / np.maximum(total, 1e-300)), x)
