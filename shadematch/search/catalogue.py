"""All recipes of a pour in a tree, for many targets.

The colours of all permitted recipes are computed once and put into a balanced k-d tree in
CIELAB whose nodes are upright boxes. `difference.floor` says how near a box can come, so whole
branches are passed over, and what is left is exact. All targets walk down the tree together,
level by level, so that the work is done on arrays.

References
----------
J. L. Bentley, Commun. ACM 18 (1975) 509 (k-d trees).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.difference import delta_e, floor
from shadematch.search.answer import Searcher
from shadematch.search.whole import Found

__all__ = ["LARGEST", "Catalogue"]

LARGEST: Final = 3_000_000
"""Most recipes that a catalogue is made of; about 60 bytes each."""
_LEAF: Final = 32
_CHUNK: Final = 65_536


@dataclass(frozen=True)
class _Level:
    lo: FloatArray  # (nodes, 3) CIELAB
    hi: FloatArray
    fewest: IntArray  # (nodes,) least paste in the node, in steps


class Catalogue:
    """Every permitted recipe with its colour.

    Parameters
    ----------
    searcher
        The permitted region; at most `LARGEST` recipes.
    """

    def __init__(self, searcher: Searcher) -> None:
        parts = []
        spaces, _ = searcher.spaces(np.zeros(searcher.whole.size))
        for fixed, space in spaces:
            steps = space.recipes()
            colours = [
                space.lab(steps[i : i + _CHUNK].astype(float)) for i in range(0, len(steps), _CHUNK)
            ]
            parts.append((steps + fixed, np.concatenate(colours)))
        steps = np.concatenate([p[0] for p in parts]).astype(np.int16)
        lab = np.concatenate([p[1] for p in parts])
        order = np.lexsort((*steps.T[::-1], steps.sum(axis=1)))  # ties: less paste comes first
        steps, lab = steps[order], lab[order]
        depth = max(int(np.ceil(np.log2(max(len(lab), 1) / _LEAF))), 0)
        depth += depth % 2  # it is walked two levels at a time
        size = -(-len(lab) // (1 << depth)) << depth
        index = np.minimum(np.arange(size), len(lab) - 1)  # the last recipe fills up
        levels = []
        for level in range(depth + 1):
            grouped = index.reshape(1 << level, -1)
            points = lab[grouped]
            lo, hi = points.min(axis=1), points.max(axis=1)
            if level % 2 == 0:
                totals = steps.sum(axis=1)[grouped]
                levels.append(_Level(lo, hi, totals.min(axis=1).astype(np.int64)))
            if level < depth:
                axis = np.argmax(hi - lo, axis=1)
                along = np.take_along_axis(points, axis[:, None, None], axis=2)[:, :, 0]
                half = grouped.shape[1] // 2
                inner = np.argpartition(along, half, axis=1)
                index = np.take_along_axis(grouped, inner, axis=1).reshape(-1)
        self._levels = levels
        self._leaf = size >> depth
        self._steps = steps[index]
        self._lab = lab[index].reshape(1 << depth, self._leaf, 3)
        self._totals = self._steps.sum(axis=1).reshape(1 << depth, self._leaf)
        self._rank = index.reshape(1 << depth, self._leaf)

    def look_up(self, targets: FloatArray, tolerance: float) -> list[tuple[Found, Found]]:
        """Closest and frugal recipes, exactly.

        Parameters
        ----------
        targets
            CIELAB, shape (t, 3).
        tolerance
            How much worse than the closest the frugal recipe may be, in CIEDE2000.
        """
        results = []
        for i in range(0, len(targets), 512):
            results += self._look_up(np.asarray(targets[i : i + 512], dtype=float), tolerance)
        return results

    def _look_up(self, targets: FloatArray, tolerance: float) -> list[tuple[Found, Found]]:
        count = len(targets)
        best = np.full(count, np.inf)
        rank = np.full(count, np.iinfo(np.int64).max)
        place = np.zeros(count, dtype=np.int64)

        def visit(who: IntArray, leaf: IntArray) -> None:
            values = delta_e(self._lab[leaf], targets[who][:, None, :])
            least = values.min(axis=1)
            # Ties go to the recipe that comes first in rank.
            ranks = np.where(values == least[:, None], self._rank[leaf], np.iinfo(np.int64).max)
            column = np.argmin(ranks, axis=1)
            order = np.lexsort((ranks[np.arange(who.size), column], least, who))
            first = np.unique(who[order], return_index=True)[1]
            for row in order[first]:
                mine = (least[row], ranks[row, column[row]])
                t = who[row]
                if mine < (best[t], rank[t]):
                    best[t], rank[t] = mine
                    place[t] = leaf[row] * self._leaf + column[row]

        everyone = np.arange(count)
        visit(everyone, self._dive(targets))
        who, leaf, nearest = self._walk(targets, best, None)
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
        frugal = self._frugal(targets, best + tolerance, place)
        found = []
        for t in range(count):
            steps = self._steps[place[t]].astype(np.int64)
            value = float(best[t])
            closest = Found(steps, value, value, True, 0)
            at, other = frugal[t]
            lean = self._steps[at].astype(np.int64)
            found.append((closest, Found(lean, other, float(lean.sum()), True, 0)))
        return found

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
        self, targets: FloatArray, within: FloatArray, fewer: IntArray | None
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of targets and leaves that can hold a recipe with CIEDE2000 up to `within`."""
        who = np.arange(len(targets))
        node = np.zeros(len(targets), dtype=np.int64)
        near = np.zeros(len(targets))
        for level in self._levels[1:]:
            who = np.repeat(who, 4)
            node = (4 * node[:, None] + np.arange(4)).ravel()
            if fewer is not None:
                keep: BoolArray = level.fewest[node] < fewer[who]
                who, node = who[keep], node[keep]
            near = floor(targets[who], level.lo[node], level.hi[node])
            keep = near <= within[who]
            who, node, near = who[keep], node[keep], near[keep]
        return who, node, near

    def _frugal(
        self, targets: FloatArray, within: FloatArray, place: IntArray
    ) -> list[tuple[int, float]]:
        """Position and CIEDE2000 of the recipe with the least paste within a limit."""
        flat_totals = self._totals.ravel()
        # One more than the closest recipe's, so that equally short ones are looked at too.
        who, leaf, _ = self._walk(targets, within, flat_totals[place].astype(np.int64) + 1)
        best: list[tuple[int, float, int, int]] = []
        largest = np.iinfo(np.int64).max
        best = [(int(largest), np.inf, int(largest), 0) for _ in targets]
        for part in np.array_split(np.arange(who.size), max(1, who.size // 4096)):
            if not part.size:
                continue
            values = delta_e(self._lab[leaf[part]], targets[who[part]][:, None, :])
            row, column = np.nonzero(values <= within[who[part]][:, None])
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
