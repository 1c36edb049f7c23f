"""All recipes of a pour in a tree, for many targets.

The colours of all permitted recipes are computed once and put into a balanced k-d tree in
CIELAB whose nodes are upright boxes. `floors.floor` says how near a box can come, so whole
branches are passed over, and what is left is exact. All targets walk down the tree together,
level by level, so that the work is done on arrays.

References
----------
J. L. Bentley, Commun. ACM 18 (1975) 509 (k-d trees).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import floor
from shadematch.search.leeway import ANYWHERE, Leeway, inside
from shadematch.search.space import Space
from shadematch.search.whole import Found
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["LARGEST", "Catalogue"]

LARGEST: Final = 3_000_000
"""Most recipes that a catalogue is made of; about 60 bytes each."""
_LEAF: Final = 32
_NO_LIMIT: Final = int(np.iinfo(np.int64).max)
_ROUNDING: Final = 1e-9
_CHUNK: Final = 16_384


@dataclass(frozen=True)
class _Level:
    lo: FloatArray  # (nodes, 3) CIELAB
    hi: FloatArray
    fewest: IntArray  # (nodes,) least paste in the node, in steps


def _parents(level: _Level) -> _Level:
    """The nodes that hold four of these each."""
    return _Level(
        level.lo.reshape(-1, 4, 3).min(axis=1),
        level.hi.reshape(-1, 4, 3).max(axis=1),
        level.fewest.reshape(-1, 4).min(axis=1),
    )


def _colours(space: Space, steps: IntArray) -> FloatArray:
    parts = [space.lab(steps[i : i + _CHUNK].astype(float)) for i in range(0, len(steps), _CHUNK)]
    return np.concatenate(parts)


class Catalogue:
    """Every permitted recipe with its colour.

    Parameters
    ----------
    spaces
        All of the permitted region, as `space.spaces_of` cuts it; at most `LARGEST` recipes.
    """

    def __init__(self, spaces: Sequence[tuple[IntArray, Space]]) -> None:
        from scipy.spatial import cKDTree  # slow to import, so late

        listed = []
        for fixed, space in spaces:
            own = space.recipes()
            if len(own):  # a dose that stands still may leave no room for one that is required
                listed.append(((own + fixed).astype(np.int16), _colours(space, own)))
        steps = np.concatenate([part for part, _ in listed])
        lab = np.concatenate([colours for _, colours in listed])
        # Ties: less paste comes first, then the order of doses, in which a list comes already.
        totals = steps.sum(axis=1, dtype=np.int16)
        keys = (totals,) if len(listed) == 1 else (*steps.T[::-1], totals)
        order = np.lexsort(keys)
        steps, lab, totals = steps[order], lab[order], totals[order]
        depth = max(int(np.ceil(np.log2(max(len(lab), 1) / _LEAF))), 0)
        depth += depth % 2  # it is walked two levels at a time
        leaf = -(-len(lab) // (1 << depth))
        size = leaf << depth
        index = np.minimum(np.arange(size), len(lab) - 1)  # the last recipe fills up
        # The library's tree halves at the median, so its order of points gives full leaves.
        tree = cKDTree(lab[index], leafsize=leaf, compact_nodes=False)
        index = index[tree.indices]
        self._leaf = leaf
        self._steps = steps[index]
        self._lab = lab[index].reshape(1 << depth, leaf, 3)
        self._totals = totals[index].reshape(1 << depth, leaf)
        self._rank = index.reshape(1 << depth, leaf)
        level = _Level(self._lab.min(axis=1), self._lab.max(axis=1), self._totals.min(axis=1))
        self._levels = [level]
        while len(self._levels[0].lo) > 1:
            self._levels.insert(0, _parents(self._levels[0]))

    def look_up(self, targets: FloatArray, leeways: Sequence[Leeway]) -> list[tuple[Found, Found]]:
        """Closest and frugal recipes, exactly.

        Parameters
        ----------
        targets
            CIELAB, shape (t, 3).
        leeways
            For each target, which recipes count as no worse than the closest.
        """
        results: list[tuple[Found, Found]] = []
        for i in range(0, len(targets), 512):
            chunk = np.asarray(targets[i : i + 512], dtype=float)
            best, place = self._nearest(chunk, np.full(len(chunk), np.inf), _NO_LIMIT)
            each = list(zip(leeways[i : i + 512], chunk, best.tolist(), strict=True))
            within = np.array([leeway.within(value) for leeway, _, value in each])
            beliefs = np.array([leeway.belief(goal, value) for leeway, goal, value in each])
            # Equally short ones as the closest are looked at too.
            most = self._totals.ravel()[place].astype(np.int64)
            lean = self._least(chunk, within, most, beliefs)
            results += [
                (self._found(at, value), self._found(*frugal, paste=True))
                for at, value, frugal in zip(place.tolist(), best.tolist(), lean, strict=True)
            ]
        return results

    def closest(
        self,
        target: FloatArray,
        *,
        max_steps: int | None = None,
        below: float = np.inf,
        belief: FloatArray = ANYWHERE,
    ) -> Found:
        """The closest recipe of one target, shape (3,), with at most so many steps.

        `steps` of the result is None where no recipe has a CIEDE2000 smaller than `below`.
        """
        most = _NO_LIMIT if max_steps is None else max_steps
        best, place = self._nearest(target[None], np.array([below]), most, belief)
        if place[0] < 0:
            return Found(None, np.inf, below, True, 0)
        return self._found(int(place[0]), float(best[0]))

    def frugal(
        self, target: FloatArray, within: float, fewest: int, belief: FloatArray = ANYWHERE
    ) -> Found:
        """The recipe with the least paste, at most `fewest` steps, and CIEDE2000 <= `within`.

        Only colours inside the belief count (`Leeway.belief`). Where there is none, the CIEDE2000
        of what is given is infinite.
        """
        limit, radius = np.array([fewest]), np.array([within])
        return self._found(*self._least(target[None], radius, limit, belief[None])[0], paste=True)

    def _found(self, at: int, value: float, paste: bool = False) -> Found:
        steps = self._steps[at].astype(np.int64)
        return Found(steps, value, float(steps.sum()) if paste else value, True, 0)

    def _nearest(
        self, targets: FloatArray, below: FloatArray, most: int, belief: FloatArray = ANYWHERE
    ) -> tuple[FloatArray, IntArray]:
        """CIEDE2000 and position of the closest recipe of each target; position -1 for none."""
        best, rank = below.copy(), np.full(len(targets), -1)
        place = np.full(len(targets), -1)

        def visit(who: IntArray, leaf: IntArray) -> None:
            values = delta_e(self._lab[leaf], targets[who][:, None, :])
            if most < _NO_LIMIT:
                values = np.where(self._totals[leaf] <= most, values, np.inf)
            if belief.any():
                good = inside(self._lab[leaf], targets[who][:, None, :], belief)
                values = np.where(good, values, np.inf)
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
            place[t] = leaf[row] * self._leaf + column[row]

        visit(np.arange(len(targets)), self._dive(targets))
        who, leaf, nearest = self._walk(targets, best, np.full(len(targets), most))
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
        for part in np.array_split(np.flatnonzero(keep), max(1, keep.sum() // 4096)):
            if part.size:
                visit(who[part], leaf[part])
        return best, place

    def _dive(self, targets: FloatArray) -> IntArray:
        """The leaf that looks best on the way down, shape (t,)."""
        node = np.zeros(len(targets), dtype=np.int64)
        for level in self._levels[1:]:
            children = 4 * node[:, None] + np.arange(4)
            near = floor(targets[:, None, :], level.lo[children], level.hi[children])
            middle = 0.5 * (level.lo[children] + level.hi[children])
            away = np.abs(middle - targets[:, None, :]).sum(axis=2)
            node = children[np.arange(len(node)), np.argmin(near + 1e-6 * away, axis=1)]
        return node

    def _walk(
        self, targets: FloatArray, within: FloatArray, most: IntArray
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of targets and leaves that can hold what is sought, and floors of CIEDE2000.

        Sought are recipes with CIEDE2000 up to `within` and at most `most` steps, shapes (t,).
        """
        who = np.arange(len(targets))
        node = np.zeros(len(targets), dtype=np.int64)
        near = np.zeros(len(targets))
        limited = bool(np.any(most < _NO_LIMIT))
        for level in self._levels[1:]:
            who = np.repeat(who, 4)
            node = (4 * node[:, None] + np.arange(4)).ravel()
            if limited:
                keep: BoolArray = level.fewest[node] <= most[who]
                who, node = who[keep], node[keep]
            near = floor(targets[who], level.lo[node], level.hi[node]) - _ROUNDING
            keep = near <= within[who]
            who, node, near = who[keep], node[keep], near[keep]
        return who, node, near

    def _least(
        self, targets: FloatArray, within: FloatArray, most: IntArray, beliefs: FloatArray
    ) -> list[tuple[int, float]]:
        """Position and CIEDE2000 of the recipe with the least paste within limits."""
        who, leaf, _ = self._walk(targets, within, most)
        some = bool(beliefs.any())
        best: list[tuple[int, float, int, int]]
        best = [(_NO_LIMIT, np.inf, _NO_LIMIT, 0) for _ in targets]
        for part in np.array_split(np.arange(who.size), max(1, who.size // 4096)):
            if not part.size:
                continue
            values = delta_e(self._lab[leaf[part]], targets[who[part]][:, None, :])
            good: BoolArray = values <= within[who[part]][:, None]
            if some:
                goals, believed = targets[who[part]], beliefs[who[part]]
                good &= inside(self._lab[leaf[part]], goals[:, None, :], believed[:, None])
            row, column = np.nonzero(good)
            totals = self._totals[leaf[part][row], column]
            ranks = self._rank[leaf[part][row], column]
            order = np.lexsort((ranks, values[row, column], totals, who[part][row]))
            first = order[np.unique(who[part][row][order], return_index=True)[1]]
            for k in first:
                t = int(who[part][row[k]])
                at = int(leaf[part][row[k]] * self._leaf + column[k])
                mine = (int(totals[k]), float(values[row[k], column[k]]), int(ranks[k]), at)
                best[t] = min(best[t], mine)
        return [(at, value) for _, value, _, at in best]
