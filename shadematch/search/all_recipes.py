"""All recipes of a pour in a tree, for many targets.

The colours of all permitted recipes are computed once and put into a balanced k-d tree in
CIELAB whose nodes are upright boxes. `floors.floor` says how near a box can come, so whole
branches are passed over, and what is left is exact. All targets walk down the tree together,
level by level, so that the work is done on arrays. Under several lights the axes of all views
make one tree, and the worst CIEDE2000 counts.

References
----------
J. L. Bentley, Commun. ACM 18 (1975) 509 (k-d trees).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import floor
from shadematch.search.limits import DoseLimits
from shadematch.search.nearness import lengths
from shadematch.search.whole import Solution
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["LARGEST", "STRAY", "AllRecipes", "Answer"]

LARGEST: Final = 3_000_000
"""Most recipes that are listed; about 80 bytes each, 24 more for every further view."""
STRAY: Final = 0.01
"""How far each coordinate of a colour may be off until it is settled [CIELAB]. Between what the
two-variable table gives and what a layer's spline does 9e-4 was the most seen."""
_LEAF: Final = 32
_NO_LIMIT: Final = int(np.iinfo(np.intp).max)
_SLACK: Final = 1e-9
"""For rounding, of CIEDE2000 and of paste."""
_PAIRS: Final = 4096


class Answer(NamedTuple):
    """Everything found for one target; doses in steps.

    Attributes
    ----------
    closest
        The whole recipe with the smallest CIEDE2000.
    frugal
        The one with the least paste among those that the tolerance lets count; `bound` is the
        least paste [dose steps].
    """

    closest: Solution
    frugal: Solution


@dataclass(frozen=True)
class _Level:
    lo: FloatArray  # (nodes, v, 3) CIELAB
    hi: FloatArray
    least: FloatArray  # (nodes,) least paste in the node


def _parents(level: _Level) -> _Level:
    """The nodes that hold four of these each."""
    shape = (-1, 4, *level.lo.shape[1:])
    return _Level(
        level.lo.reshape(shape).min(axis=1),
        level.hi.reshape(shape).max(axis=1),
        level.least.reshape(-1, 4).min(axis=1),
    )


class _Asked(NamedTuple):
    """What is sought for each of t targets."""

    targets: FloatArray  # (t, v, 3)
    most: FloatArray  # (t,) paste
    max_tubes: int

    def at(self, rows: IntArray) -> _Asked:
        return _Asked(self.targets[rows], self.most[rows], self.max_tubes)


class AllRecipes:
    """Every permitted recipe with its colours.

    Parameters
    ----------
    limits
        What is permitted.
    steps
        All of it, shape (m, k), in order; at most `LARGEST`.
    labs
        CIELAB of each recipe in each view, shape (m, v, 3).
    settle
        Computes the colours of some recipes anew, where those in `labs` may be off by `STRAY`;
        None where they are right. Only recipes on which an answer turns are settled.
    """

    def __init__(
        self,
        limits: DoseLimits,
        steps: IntArray,
        labs: FloatArray,
        settle: Callable[[IntArray], FloatArray] | None = None,
    ) -> None:
        from scipy.spatial import cKDTree  # slow to import, so late

        # Ties: less paste comes first, then the order of doses.
        paste = np.round(steps @ limits.paste, 9)
        order = np.argsort(paste, kind="stable")
        steps, labs, paste = steps[order], labs[order], paste[order]
        depth = max(int(np.ceil(np.log2(max(len(labs), 1) / _LEAF))), 0)
        depth += depth % 2  # it is walked two levels at a time
        leaf = -(-len(labs) // (1 << depth))
        index = np.minimum(np.arange(leaf << depth), len(labs) - 1)  # the last recipe fills up
        # The library's tree halves at the median, so its order of points gives full leaves.
        points = labs[index].reshape(len(index), -1)
        index = index[cKDTree(points, leafsize=leaf, compact_nodes=False).indices]
        self._steps = steps[index].astype(np.min_scalar_type(steps.max(initial=0)))
        self._labs = labs[index].reshape(1 << depth, leaf, *labs.shape[1:])
        self._paste = paste[index].reshape(1 << depth, leaf)
        self._tubes = limits.tubes(self._steps).reshape(1 << depth, leaf)
        self._rank = index.reshape(1 << depth, leaf)
        self._settle = settle
        self._vague = None if settle is None else np.ones(self._rank.shape, dtype=bool)
        play = 0.0 if settle is None else 2.0 * STRAY
        lo, hi = self._labs.min(axis=1) - play, self._labs.max(axis=1) + play
        self._levels = [_Level(lo, hi, self._paste.min(axis=1))]
        while len(self._levels[0].lo) > 1:
            self._levels.insert(0, _parents(self._levels[0]))

    def look_up(self, targets: FloatArray, tolerance: float) -> list[Answer]:
        """Closest and frugal recipes, exactly.

        Parameters
        ----------
        targets
            CIELAB in each view, shape (t, v, 3).
        tolerance
            CIEDE2000 by which a recipe may be farther than the closest and still count as no
            worse.
        """
        results: list[Answer] = []
        for i in range(0, len(targets), 512):
            chunk = np.asarray(targets[i : i + 512], dtype=float)
            none = np.full(len(chunk), np.inf)
            best, place = self._settled_nearest(_Asked(chunk, none, _NO_LIMIT), none)
            # Equally short ones as the closest are looked at too.
            most = self._paste.ravel()[place] + _SLACK
            lean = self._settled_least(_Asked(chunk, most, _NO_LIMIT), best + tolerance)
            results += [
                Answer(self._found(at, value), self._found(*frugal, paste=True))
                for at, value, frugal in zip(place.tolist(), best.tolist(), lean, strict=True)
            ]
        return results

    def closest(
        self,
        target: FloatArray,
        *,
        max_paste: float = np.inf,
        max_tubes: int | None = None,
        below: float = np.inf,
    ) -> Solution:
        """The closest recipe of one target, shape (v, 3); see `Searcher.closest`."""
        asked = self._asked(target, max_paste, max_tubes)
        best, place = self._settled_nearest(asked, np.array([below]))
        if place[0] < 0:
            return Solution(None, np.inf, below, True, 0)
        return self._found(int(place[0]), float(best[0]))

    def least(
        self,
        target: FloatArray,
        *,
        within: float,
        less_than: float,
    ) -> Solution:
        """The recipe with the least paste; see `Searcher.least`."""
        asked = self._asked(target, less_than - 2.0 * _SLACK, None)
        (at, value), *_ = self._settled_least(asked, np.array([within]))
        if np.isinf(value):
            return Solution(None, np.inf, less_than, True, 0)
        return self._found(at, value, paste=True)

    def within(
        self, target: FloatArray, norms: Sequence[FloatArray], limit: float
    ) -> tuple[IntArray, FloatArray]:
        """Recipes of one target, shape (v, 3), and how far they are; see `Searcher.within`."""
        # Upright boxes around what is so near; no end where a norm sees nothing of an axis.
        reach = np.full(target.shape, np.inf)
        for at, norm in enumerate(norms):
            if np.linalg.matrix_rank(norm) == 3:
                reach[at] = limit * np.linalg.norm(np.linalg.inv(norm), axis=1)
            else:
                reach[at, norm.any(axis=0)] = limit / np.diag(norm)[norm.any(axis=0)]
        reach += 0.0 if self._vague is None else STRAY
        node = np.zeros(1, dtype=np.intp)
        for level in self._levels[1:]:
            node = (4 * node[:, None] + np.arange(4)).ravel()
            apart = (level.lo[node] > target + reach) | (level.hi[node] < target - reach)
            node = node[~apart.any(axis=(1, 2))]
        if self._vague is not None:
            places = (node[:, None] * self._rank.shape[1] + np.arange(self._rank.shape[1])).ravel()
            self._made_right(places)
        far = np.max(lengths(list(np.moveaxis(self._labs[node], 2, 0)), target, norms), axis=0)
        row, column = np.nonzero(far <= limit)
        # The last recipe may be there several times.
        first = np.unique(self._rank[node[row], column], return_index=True)[1]
        row, column = row[first], column[first]
        steps = self._steps[node[row] * self._rank.shape[1] + column]
        return steps.astype(np.intp), far[row, column]

    def _asked(self, target: FloatArray, most: float, max_tubes: int | None) -> _Asked:
        tubes = _NO_LIMIT if max_tubes is None else max_tubes
        return _Asked(target[None], np.array([most + _SLACK]), tubes)

    def _found(self, at: int, value: float, paste: bool = False) -> Solution:
        steps, most = self._steps[at], float(self._paste.ravel()[at])
        return Solution(steps.astype(np.intp), value, most if paste else value, True, 0)

    # --- colours that are not right yet

    def _values(self, asked: _Asked, leaf: IntArray) -> FloatArray:
        """Worst CIEDE2000 of the recipes of leaves, at least; infinite for those left out.

        Targets and leaves come in pairs; shape (p, recipes of a leaf).
        """
        labs, targets = self._labs[leaf], asked.targets[:, None]
        each = delta_e(labs, targets)
        if self._vague is not None:
            least = floor(targets, labs - STRAY, labs + STRAY) - _SLACK
            each = np.where(self._vague[leaf][..., None], least, each)
        values = each[..., 0] if each.shape[-1] == 1 else each.max(axis=-1)
        if np.isfinite(asked.most).any():
            values = np.where(self._paste[leaf] <= asked.most[:, None], values, np.inf)
        if asked.max_tubes < _NO_LIMIT:
            values = np.where(self._tubes[leaf] <= asked.max_tubes, values, np.inf)
        return values

    def _made_right(self, places: IntArray) -> bool:
        """Settle recipes at positions; whether any of them was not yet."""
        if self._vague is None or self._settle is None:
            return False
        vague = np.unique(places[places >= 0])
        vague = vague[self._vague.ravel()[vague]]
        # The last recipe may be there several times.
        vague = np.flatnonzero(np.isin(self._rank.ravel(), self._rank.ravel()[vague]))
        if not vague.size:
            return False
        leaf, column = np.divmod(vague, self._rank.shape[1])
        self._labs[leaf, column] = self._settle(self._steps[vague])
        self._vague[leaf, column] = False
        return True

    def _settled_nearest(self, asked: _Asked, below: FloatArray) -> tuple[FloatArray, IntArray]:
        """As `_nearest`: once the best is right, no other can be better, at its least."""
        while True:
            best, place = self._nearest(asked, below)
            if not self._made_right(place):
                return best, place

    def _settled_least(self, asked: _Asked, within: FloatArray) -> list[tuple[int, float]]:
        while True:
            found = self._least(asked, within)
            places = np.array([at for at, value in found if np.isfinite(value)], dtype=np.intp)
            if not self._made_right(places):
                return found

    # --- the tree

    def _nearest(self, asked: _Asked, below: FloatArray) -> tuple[FloatArray, IntArray]:
        """CIEDE2000 and position of the closest recipe of each target; position -1 for none."""
        count, size = len(asked.targets), self._rank.shape[1]
        best, rank, place = below.copy(), np.full(count, -1), np.full(count, -1)

        def visit(who: IntArray, leaf: IntArray) -> None:
            values = self._values(asked.at(who), leaf)
            least = values.min(axis=1)
            # Ties go to the recipe that comes first in rank.
            ranks = np.where(values == least[:, None], self._rank[leaf], _NO_LIMIT)
            column = np.argmin(ranks, axis=1)
            ranks = ranks[np.arange(who.size), column]
            order = np.lexsort((ranks, least, who))
            row = order[np.unique(who[order], return_index=True)[1]]
            t = who[row]
            row = row[(least[row] < best[t]) | ((least[row] == best[t]) & (ranks[row] < rank[t]))]
            t = who[row]
            best[t], rank[t] = least[row], ranks[row]
            place[t] = leaf[row] * size + column[row]

        visit(np.arange(count), self._dive(asked.targets))
        who, leaf, nearest = self._walk(asked, best)
        # The nearest leaf first; it often rules the others out.
        for _ in range(3):
            keep = nearest <= best[who]
            who, leaf, nearest = who[keep], leaf[keep], nearest[keep]
            if not who.size:
                break
            order = np.lexsort((nearest, who))
            first = order[np.unique(who[order], return_index=True)[1]]
            visit(who[first], leaf[first])
            rest = np.ones(who.size, dtype=bool)
            rest[first] = False
            who, leaf, nearest = who[rest], leaf[rest], nearest[rest]
        keep = nearest <= best[who]
        for part in np.array_split(np.flatnonzero(keep), max(1, keep.sum() // _PAIRS)):
            if part.size:
                visit(who[part], leaf[part])
        return best, place

    def _near(self, targets: FloatArray, level: _Level, node: IntArray) -> FloatArray:
        """Floors of the worst CIEDE2000 of nodes, for targets of shape (..., v, 3)."""
        each = floor(targets, level.lo[node], level.hi[node])
        return each[..., 0] if each.shape[-1] == 1 else np.asarray(each.max(axis=-1))

    def _dive(self, targets: FloatArray) -> IntArray:
        """The leaf that looks best on the way down, shape (t,)."""
        node = np.zeros(len(targets), dtype=np.intp)
        for level in self._levels[1:]:
            children = 4 * node[:, None] + np.arange(4)
            near = self._near(targets[:, None], level, children)
            middle = 0.5 * (level.lo[children] + level.hi[children])
            away = np.abs(middle - targets[:, None]).sum(axis=(2, 3))
            node = children[np.arange(len(node)), np.argmin(near + 1e-6 * away, axis=1)]
        return node

    def _walk(self, asked: _Asked, within: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of targets and leaves that can hold what is sought, and floors of CIEDE2000.

        Sought are recipes with CIEDE2000 up to `within`, shape (t,).
        """
        who = np.arange(len(asked.targets))
        node, near = np.zeros_like(who), np.zeros(len(who))
        limited = bool(np.isfinite(asked.most).any())
        for level in self._levels[1:]:
            who = np.repeat(who, 4)
            node = (4 * node[:, None] + np.arange(4)).ravel()
            if limited:
                keep: BoolArray = level.least[node] <= asked.most[who]
                who, node = who[keep], node[keep]
            near = self._near(asked.targets[who], level, node) - _SLACK
            keep = near <= within[who]
            who, node, near = who[keep], node[keep], near[keep]
        return who, node, near

    def _least(self, asked: _Asked, within: FloatArray) -> list[tuple[int, float]]:
        """Position and CIEDE2000 of the recipe with the least paste within limits."""
        who, leaf, _ = self._walk(asked, within)
        best: list[tuple[float, float, int, int]]
        best = [(np.inf, np.inf, _NO_LIMIT, 0) for _ in asked.targets]
        for part in np.array_split(np.arange(who.size), max(1, who.size // _PAIRS)):
            if not part.size:
                continue
            values = self._values(asked.at(who[part]), leaf[part])
            row, column = np.nonzero(values <= within[who[part]][:, None])
            paste = self._paste[leaf[part][row], column]
            ranks = self._rank[leaf[part][row], column]
            order = np.lexsort((ranks, values[row, column], paste, who[part][row]))
            first = order[np.unique(who[part][row][order], return_index=True)[1]]
            for k in first:
                at = int(leaf[part][row[k]] * self._rank.shape[1] + column[k])
                mine = (float(paste[k]), float(values[row[k], column[k]]), int(ranks[k]), at)
                best[who[part][row[k]]] = min(best[who[part][row[k]]], mine)
        return [(at, value) for _, value, _, at in best]
