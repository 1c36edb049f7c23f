"""The search for a few shades from one pot.

A chain is what is added to the pot for each shade: whole dose steps of each paste, shape
(count, n). A dab is taken out after each shade, so later steps count for more. The chain with the
smallest expected CIEDE2000 of the nearest shade is approached from many starts, each a recipe near
the target made in parts: of all chains that differ a little, the best is next, until none is
better. At first CIEDE2000 to each point of the target's uncertainty is a quadratic form; the best
chains found are then improved by the formula itself, with slips and uncertain pastes
(`shadematch.predicting.uncertainty`, linear). Nothing is proved; `python -m tests.bench.shades`
compares with ten times the starts.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.expected import normal_points, root_of
from shadematch.matching.question import Question
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Pot"]

_LOOSE: Final = 0.3
"""Variance added to the target's when recipes near it are listed, in squares of CIEDE2000."""
_FAR: Final = 30.0
_NEAR: Final = 200
_STARTS: Final = 16
"""Recipes to start from, the most different of the `_NEAR` nearest ..."""
_SHARES: Final = (1.0, 0.8, 0.6)
"""... how much of each is in the first shade ..."""
_LATER: Final = 0.5
"""... or how much of one paste is not."""
_BUDGET: Final = 300_000
"""Shades tried, after which no new start is made."""
_REFINED: Final = 6
_ROUGH: Final = 128
_FINE: Final = 256
_EFFORT: Final = 0.002
"""By what fraction the nearest must be nearer to be worth a squeeze, or ten steps of paste."""
_ALL: Final = 0.1
"""What all shades count for beside the nearest, if no shade may be far."""
_SLACK: Final = 1e-9


class Pot:
    """One melt of a question's pour; `dab_g` is taken out after each shade.

    Parameters
    ----------
    question
        The question for the target.
    doubt
        Covariance of the target's CIELAB, shape (3, 3).
    known
        The uncertainty of recipes.
    alone
        One recipe for the target, in steps, shape (k,).
    dab_g
        Mass of a dab [g].
    """

    def __init__(
        self,
        question: Question,
        doubt: FloatArray,
        known: Uncertainty,
        alone: FloatArray,
        dab_g: float,
    ) -> None:
        asked, lab = question.asked, question.labs[0]
        self.question, self.doubt, self.known = question, doubt, known
        self.alone, self.dab_g = alone, dab_g
        self.space = replace(asked.searcher.space.undiluted, rough=True)
        # For the search, the uncertainty of the one recipe is added to that of the target.
        columns = known.linear((alone * asked.step_sizes)[None]).columns[0, :, :3]
        self.covariance = doubt + columns.T @ columns + 1e-4 * np.eye(3)
        # The square of CIEDE2000 to each aim as a quadratic form, with its weights halfway there.
        aims = lab + normal_points(_ROUGH, 3) @ root_of(self.covariance).T
        halfway = 0.5 * (aims + lab)
        metric = squared_difference(halfway, halfway)[2]
        pull = np.einsum("pij,pj->pi", metric, aims)
        parts = [metric.reshape(-1, 9), -2.0 * pull, (pull * aims).sum(axis=1)[:, None]]
        self.form = np.concatenate(parts, axis=1).T

    def best(self, count: int, *, all_near: bool = False) -> IntArray | None:
        """The best chain of so many shades that was found; None if none is permitted.

        With `all_near` all shades count a little, not only the nearest.
        """
        self.all_near = all_near
        starts = self._starts(count)
        if not len(starts):
            return None
        self.tried = 0
        moves, seen = _moves(count, self.space.size), set[bytes]()
        found: dict[bytes, tuple[float, IntArray]] = {}
        for start in starts[np.argsort(self._rough(starts), kind="stable")]:
            if self.tried > _BUDGET:
                break
            value, chain = self._climbed(start, moves, self._rough, seen)
            found[chain.tobytes()] = value, chain
        some = sorted(found.values(), key=lambda each: each[0])[:_REFINED]
        seen = set()
        fine = [self._climbed(chain, moves, self._fine, seen) for _, chain in some]
        return min(fine, key=lambda each: each[0])[1]

    def steps(self, chains: IntArray) -> FloatArray:
        """Recipes of the shades of chains, in steps of the whole batch; shape (..., count, n)."""
        return np.asarray(np.cumsum(chains * self._counts(chains.shape[-2]), axis=-2))

    def differences(self, chains: IntArray, points: int) -> FloatArray:
        """CIEDE2000 of each shade of m chains at random points, shape (m, count, points)."""
        m, count, size = chains.shape
        steps = np.zeros((m * count, self.alone.size))
        steps[:, :size] = self.steps(chains).reshape(-1, size)
        # Each squeeze slips by itself, and is in all shades from then on.
        counts = np.tri(count)[:, :, None] * self._counts(count)
        squeezes = (counts * (chains > 0)[:, None]).reshape(-1, count, size)
        return np.asarray(self._poured(steps, squeezes, points).reshape(m, count, points))

    def differences_alone(self, points: int) -> FloatArray:
        """CIEDE2000 of the one recipe, shape (points,)."""
        once = np.ones((1, 1, self.space.size))
        return np.asarray(self._poured(self.alone[None], once, points)[0])

    def _poured(self, steps: FloatArray, squeezes: FloatArray, points: int) -> FloatArray:
        """CIEDE2000 of recipes in steps (r, k) at the same random points, shape (r, points).

        `squeezes`, shape (r, q, n), is what each squeeze of a paste counts for.
        """
        found, labs = self.known.linear(steps * self.question.asked.step_sizes), self.question.labs
        _, many, size = squeezes.shape
        own, other = many * size, found.columns.shape[1] - size
        drawn = normal_points(points, own + other + 3)
        aims, slips, rest = np.split(drawn, [3, 3 + own], axis=1)  # the first are the most even
        slips = np.einsum("pqn,rqn->rpn", slips.reshape(points, many, size), squeezes)
        off = slips @ found.columns[:, :size] + rest @ found.columns[:, size:]
        made = found.lab[:, None] + off.reshape(len(steps), points, -1, 3)
        goals = labs + (aims @ root_of(self.doubt).T)[:, None]
        if points <= _FINE:
            made, goals = made.astype(np.float32), goals.astype(np.float32)
        return np.asarray(delta_e(made, goals).max(axis=-1), dtype=float)

    def _starts(self, count: int) -> IntArray:
        """Permitted chains to start from, shape (m, count, n): recipes made in parts."""
        asked, labs, size = self.question.asked, self.question.labs, self.space.size
        # Near as the target's uncertainty has it, so that they lie along it.
        metric = squared_difference(labs[0], labs[0])[2]
        plausible = np.linalg.inv(_LOOSE * np.linalg.inv(metric) + self.covariance)
        norms = [np.linalg.cholesky(plausible).T] * len(labs)
        found, _, _ = asked.searcher.within(labs, norms, _FAR, most=_NEAR, around=self.alone)
        one = np.diag(np.minimum(self.space.limits.upper, 1))  # in case all need let-downs
        found = np.concatenate([np.rint(self.alone[None]).astype(np.intp), found])
        found = np.concatenate([found[(found[:, size:] == 0).all(axis=1), :size], one])
        picked, apart = [0], np.abs(found - found[0]).sum(axis=1)
        while len(picked) < _STARTS and apart.any():  # the farthest from those before, in steps
            picked.append(int(apart.argmax()))
            apart = np.minimum(apart, np.abs(found - found[picked[-1]]).sum(axis=1))
        shares = [np.full(size, share) for share in _SHARES] + [*(1.0 - _LATER * np.eye(size))]
        parts = [self._parted(found[at], each, count) for at in picked for each in shares]
        return self._permitted(np.unique(np.array(parts), axis=0))

    def _parted(self, recipe: IntArray, shares: FloatArray, count: int) -> IntArray:
        """A chain to a recipe, with about these shares of its pastes in the first shade."""
        limits = self.space.limits
        first = np.maximum(np.floor(shares * recipe).astype(np.intp), limits.lower)
        ends = np.arange(count)[:, None] / (count - 1) * np.maximum(recipe - first, 0)
        parts: IntArray = np.rint(ends).astype(np.intp)
        chain = np.concatenate([first[None], parts[1:] - parts[:-1]])
        chain[~chain.any(axis=1), recipe.argmax()] = 1
        spare = first - limits.lower
        while self.steps(chain)[-1].sum() > limits.total and spare.any():
            chain[0, spare.argmax()] -= 1
            spare = chain[0] - limits.lower
        return chain

    def _climbed(
        self,
        chain: IntArray,
        moves: IntArray,
        judge: Callable[[IntArray], FloatArray],
        seen: set[bytes],
    ) -> tuple[float, IntArray]:
        """Value and chain that moves lead to; where an earlier climb has been, it ends."""
        value = float(judge(chain[None])[0])
        while chain.tobytes() not in seen:
            seen.add(chain.tobytes())
            near = self._permitted(chain + moves)
            if not len(near):
                break
            values = judge(near)
            if values.min() >= value - _SLACK:
                break
            chain, value = near[values.argmin()], float(values.min())
        return value, chain

    def _permitted(self, chains: IntArray) -> IntArray:
        """Those of the chains that are permitted."""
        limits = self.space.limits
        fits = (chains.min(axis=(1, 2)) >= 0) & (chains.sum(axis=2).min(axis=1) > 0)
        fits &= np.all(chains[:, 0] >= limits.lower, axis=1)
        fits &= np.all(chains.sum(axis=1) <= np.where(limits.upper > 0, np.inf, 0.0), axis=1)
        fits &= self.steps(chains)[:, -1].sum(axis=1) <= limits.total + _SLACK
        fits &= chains.any(axis=1).sum(axis=1) <= limits.max_tubes
        return np.asarray(chains[fits])

    def _counts(self, count: int) -> FloatArray:
        """What a step counts for in what is left of the pot, shape (count, 1)."""
        batch = self.question.asked.pour.batch_g
        return np.asarray(batch / (batch - self.dab_g * np.arange(count)[:, None]))

    def _rough(self, chains: IntArray) -> FloatArray:
        """What chains come to, roughly; shape (m,)."""
        labs = self.space.lab(self.steps(chains).reshape(-1, self.space.size))
        self.tried += len(labs)
        products = (labs[:, :, None] * labs[:, None]).reshape(-1, 9)
        squares = np.concatenate([products, labs, np.ones((len(labs), 1))], axis=1) @ self.form
        told = self._of_shades(squares.reshape(*chains.shape[:2], _ROUGH))
        return _priced(np.sqrt(np.maximum(told, 0.0)), chains)

    def _fine(self, chains: IntArray) -> FloatArray:
        """The same by the formula itself, slips included."""
        return _priced(self._of_shades(self.differences(chains, _FINE)), chains)

    def _of_shades(self, values: FloatArray) -> FloatArray:
        """What shades are judged by: the nearest, and with `all_near` a little by all.

        Values of shape (m, count, points); shape (m, points).
        """
        return np.asarray(values.min(axis=1) + self.all_near * _ALL * values.mean(axis=1))


def _priced(values: FloatArray, chains: IntArray) -> FloatArray:
    """Mean CIEDE2000, and a little more for squeezes and paste."""
    effort = np.count_nonzero(chains, axis=(1, 2)) + chains.sum(axis=(1, 2)) / 10.0
    return np.asarray(values.mean(axis=1) * (1.0 + _EFFORT * effort))


@functools.lru_cache(maxsize=16)
def _moves(count: int, size: int) -> IntArray:
    """Small changes of a chain, shape (m, count, size).

    A step more or less, a step of another paste instead, and a step for another shade instead.
    """
    one = np.eye(count * size, dtype=np.intp).reshape(count, size, count, size)
    rows = [sign * one[at, i] for at, i in np.ndindex(count, size) for sign in (1, -1)]
    rows += [one[at, i] - one[at, j] for at, i, j in np.ndindex(count, size, size) if i != j]
    rows += [one[at, i] - one[to, i] for at, to, i in np.ndindex(count, count, size) if at != to]
    return np.array(rows)
