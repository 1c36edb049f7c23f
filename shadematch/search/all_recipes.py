"""All recipes of a pour in a tree, for many targets.

The colours of all permitted recipes are computed once and put into a balanced k-d tree in
CIELAB whose nodes are axis-aligned boxes. `floors.floor` bounds CIEDE2000 over a box, so whole
branches are skipped; the result is exact. All targets descend the tree together, level by level,
on arrays. Several views make one tree of all their axes, and the largest CIEDE2000 counts.

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
from shadematch.colour.floors import floor, lightness_floor
from shadematch.search.answers import Answers
from shadematch.search.limits import DoseLimits
from shadematch.search.nearness import lengths
from shadematch.search.watch import UNWATCHED, Watch
from shadematch.search.whole import Solution
from shadematch.support.arrays import BoolArray, FloatArray, IntArray, keep_freed_memory

__all__ = ["LARGEST", "STRAY", "AllRecipes"]

LARGEST: Final = 3_000_000
"""Most recipes to list; about 80 bytes each, 24 more for every further view."""
_MOST_EXACT: Final = 2000
"""Most recipes near a target whose exact colours are computed, if only approximate ones are listed;
where little is known of the pastes, hundreds of thousands are near enough."""
_AT_ONCE: Final = 64
"""Recipes whose exact colours are computed before the time is looked at again."""
STRAY: Final = 0.01
"""How far each coordinate of an approximate colour may be off [CIELAB]. The largest difference seen
between the two-variable table and a layer's spline is 9e-4."""
_LEAF: Final = 32
_NO_LIMIT: Final = int(np.iinfo(np.intp).max)
_SLACK: Final = 1e-9
"""Allowance for rounding, of CIEDE2000 and of paste."""
_TARGETS: Final = 1024
"""Targets to look up at once ..."""
_FEW_TARGETS: Final = 16
"""... and if the tolerance admits very many recipes."""
_WIDE: Final = 2.0
_PAIRS: Final = 8192


@dataclass(frozen=True)
class _Level:
    lo: FloatArray  # (nodes, v, 3) CIELAB
    hi: FloatArray
    least: FloatArray  # (nodes,) least paste in the node


def _parents(level: _Level) -> _Level:
    """The parents of nodes, four children each."""
    shape = (-1, 4, *level.lo.shape[1:])
    return _Level(
        level.lo.reshape(shape).min(axis=1),
        level.hi.reshape(shape).max(axis=1),
        level.least.reshape(-1, 4).min(axis=1),
    )


class _Targets(NamedTuple):
    """The question for each of t targets."""

    targets: FloatArray  # (t, v, 3)
    most: FloatArray  # (t,) paste
    max_tubes: int

    def at(self, rows: IntArray) -> _Targets:
        return _Targets(self.targets[rows], self.most[rows], self.max_tubes)


class _Near(NamedTuple):
    """Recipes that are near targets, by target; shapes (n,)."""

    who: IntArray  # which target
    place: IntArray  # position of the recipe
    values: FloatArray  # CIEDE2000
    rank: IntArray

    def at(self, rows: IntArray | BoolArray) -> _Near:
        return _Near(self.who[rows], self.place[rows], self.values[rows], self.rank[rows])


class AllRecipes:
    """Every permitted recipe with its colours.

    Parameters
    ----------
    limits
        The limits.
    steps
        All permitted recipes, shape (m, k), in order; at most `LARGEST`.
    labs
        CIELAB of each recipe in each view, shape (m, v, 3).
    settle
        Computes exact colours of some recipes, if those in `labs` may be off by `STRAY`; else
        None. It is called only for recipes that decide an answer.
    """

    def __init__(
        self,
        limits: DoseLimits,
        steps: IntArray,
        labs: FloatArray,
        settle: Callable[[IntArray], FloatArray] | None = None,
    ) -> None:
        from scipy.spatial import cKDTree  # slow to import, so late

        keep_freed_memory()
        # Ties: less paste comes first, then the order of doses.
        paste = np.round(steps @ limits.paste, 9)
        order = np.argsort(paste, kind="stable")
        steps, labs, paste = steps[order], labs[order], paste[order]
        depth = max(int(np.ceil(np.log2(max(len(labs), 1) / _LEAF))), 0)
        depth += depth % 2  # it is walked two levels at a time
        leaf = -(-len(labs) // (1 << depth))
        index = np.minimum(np.arange(leaf << depth), len(labs) - 1)  # padded with the last recipe
        # SciPy's tree splits at the median, so its order of points gives full leaves.
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

    def look_up(self, targets: FloatArray, tolerance: float) -> Answers:
        """Closest and frugal recipes, exactly.

        Parameters
        ----------
        targets
            CIELAB in each view, shape (t, v, 3).
        tolerance
            How much farther than the closest the frugal recipe may be [CIEDE2000].
        """
        if not len(targets):
            return Answers.of([])
        step = _TARGETS if tolerance <= _WIDE else _FEW_TARGETS
        parts = [
            self._settled_both(np.asarray(targets[i : i + step], dtype=float), tolerance)
            for i in range(0, len(targets), step)
        ]
        best, place, value, lean = (np.concatenate(each) for each in zip(*parts, strict=True))
        paste, yes = self._paste.ravel(), np.ones(len(place), dtype=bool)
        return Answers(
            closest=self._steps[place],
            delta_e=best,
            bound=best,
            proved=yes,
            frugal=self._steps[lean],
            frugal_delta_e=value,
            least_paste=paste[lean],
            frugal_proved=yes,
            boxes=np.zeros((len(place), 2), dtype=np.intp),
        )

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
        while True:
            best, place = self._nearest(asked, below)
            if place is None:
                return Solution(None, np.inf, below, True, 0)
            # Once the best is exact, no other can be better: approximate values are floors.
            if not self._made_right(np.array([place])):
                return self._found(place, best)

    def least(self, target: FloatArray, *, within: float, less_than: float) -> Solution:
        """The recipe with the least paste; see `Searcher.least`."""
        asked = self._asked(target, less_than - 2.0 * _SLACK, None)
        while True:
            value, place = self._least(asked, within)
            if place is None:
                return Solution(None, np.inf, less_than, True, 0)
            if not self._made_right(np.array([place])):
                return self._found(place, value, paste=True)

    def within(
        self,
        target: FloatArray,
        norms: Sequence[FloatArray],
        limit: float,
        most: int,
        watch: Watch = UNWATCHED,
    ) -> tuple[IntArray, FloatArray, bool]:
        """Recipes near one target, shape (v, 3), and their distances; see `Searcher.within`.

        The last value is False if they are more than `most`, or if not all colours could be
        computed exactly: then they may be off by `STRAY`.
        """
        # Boxes around what is near enough; unbounded along axes that a norm ignores.
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
        far = np.max(lengths(list(np.moveaxis(self._labs[node], 2, 0)), target, norms), axis=0)
        off = STRAY * np.sqrt(3.0) * max(float(np.linalg.norm(norm, 2)) for norm in norms)
        row, column = np.nonzero(far <= limit + (0.0 if self._vague is None else off))
        # The last recipe may appear several times.
        first = np.unique(self._rank[node[row], column], return_index=True)[1]
        leaf, column, far = node[row[first]], column[first], far[row[first], column[first]]
        complete = leaf.size <= (most if self._vague is None else min(most, _MOST_EXACT))
        if self._vague is not None and complete:  # of more nothing is proved anyway
            places = leaf * self._rank.shape[1] + column
            for i in range(0, places.size, _AT_ONCE):
                complete = complete and not watch.over()
                if complete:
                    self._made_right(places[i : i + _AT_ONCE])
            labs = np.moveaxis(self._labs[leaf, column], 1, 0)
            far = np.max(lengths(list(labs), target, norms), axis=0)
            leaf, column, far = leaf[far <= limit], column[far <= limit], far[far <= limit]
        steps = self._steps[leaf * self._rank.shape[1] + column].astype(np.intp)
        return steps, far, complete

    def _asked(self, target: FloatArray, most: float, max_tubes: int | None) -> _Targets:
        tubes = _NO_LIMIT if max_tubes is None else max_tubes
        return _Targets(target[None], np.array([most + _SLACK]), tubes)

    def _found(self, at: int, value: float, paste: bool = False) -> Solution:
        steps, most = self._steps[at], float(self._paste.ravel()[at])
        return Solution(steps.astype(np.intp), value, most if paste else value, True, 0)

    # --- approximate colours

    def _values(self, asked: _Targets, leaf: IntArray) -> FloatArray:
        """CIEDE2000 of the recipes of leaves (floors where approximate), infinite if excluded.

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
        """Compute exact colours of recipes at positions; whether any was approximate."""
        if self._vague is None or self._settle is None:
            return False
        vague = np.unique(places[places >= 0])
        vague = vague[self._vague.ravel()[vague]]
        # The last recipe may appear several times.
        vague = np.flatnonzero(np.isin(self._rank.ravel(), self._rank.ravel()[vague]))
        if not vague.size:
            return False
        leaf, column = np.divmod(vague, self._rank.shape[1])
        self._labs[leaf, column] = self._settle(self._steps[vague])
        self._vague[leaf, column] = False
        return True

    def _settled_both(
        self, targets: FloatArray, tolerance: float
    ) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
        """`_both` on exact colours."""
        best, place, value, lean = self._both(targets, tolerance)
        while self._vague is not None:
            vague = self._vague.ravel()
            # The closest first: the frugal one depends on it.
            for places in (place, lean):
                rows = np.flatnonzero(vague[places])
                if rows.size:
                    break
            else:
                break
            self._made_right(places[rows])
            again = self._both(targets[rows], tolerance)
            best[rows], place[rows], value[rows], lean[rows] = again
        return best, place, value, lean

    # --- the tree

    def _both(
        self, targets: FloatArray, tolerance: float
    ) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
        """CIEDE2000 and position of the closest recipe of each target, then of the frugal one."""
        asked = _Targets(targets, np.full(len(targets), np.inf), _NO_LIMIT)
        first = self._dive(targets)
        known = self._values(asked, first)
        # A recipe within the tolerance of 0 limits the paste of the frugal one.
        enough = np.where(known <= tolerance, self._paste[first], np.inf).min(axis=1)
        found = self._within(asked, known.min(axis=1), tolerance, enough + _SLACK)
        best = np.minimum.reduceat(found.values, _starts(found.who))
        closest = found.at(found.values == best[found.who])
        closest = closest.at(_firsts(closest.who, closest.rank))
        near = found.at(found.values <= (best + tolerance)[found.who])
        paste = self._paste.ravel()[near.place]
        least = np.minimum.reduceat(paste, _starts(near.who))
        lean = near.at(paste == least[near.who])
        lean = lean.at(_firsts(lean.who, lean.values, lean.rank))
        return best, closest.place, lean.values, lean.place

    def _nearest(self, asked: _Targets, below: float) -> tuple[float, int | None]:
        """CIEDE2000 and position of the closest recipe of one target, or None."""
        known = self._values(asked, self._dive(asked.targets)).min(axis=1)
        found = self._within(asked, np.minimum(known, below))
        found = found.at(found.values < below)
        first = found.at(_firsts(found.who, found.values, found.rank))
        return (float(first.values[0]), int(first.place[0])) if first.who.size else (below, None)

    def _least(self, asked: _Targets, within: float) -> tuple[float, int | None]:
        """CIEDE2000 and position of the recipe with the least paste within a CIEDE2000."""
        found = self._within(asked, np.array([within]))
        paste = self._paste.ravel()[found.place]
        first = found.at(_firsts(found.who, paste, found.values, found.rank))
        return (float(first.values[0]), int(first.place[0])) if first.who.size else (np.inf, None)

    def _within(
        self,
        asked: _Targets,
        within: FloatArray,
        tolerance: float = 0.0,
        enough: FloatArray | None = None,
    ) -> _Near:
        """Recipes with CIEDE2000 up to `within`, shape (t,).

        For those with at most `enough` paste, shape (t,), up to `tolerance` more.
        """
        who, leaf = self._walk(asked, within, tolerance, asked.most if enough is None else enough)
        size, parts = self._rank.shape[1], []
        for part in np.array_split(np.arange(who.size), max(1, who.size // _PAIRS)):
            values = self._values(asked.at(who[part]), leaf[part])
            row, column = np.nonzero(values <= (within + tolerance)[who[part]][:, None])
            place = leaf[part][row] * size + column
            parts.append(
                _Near(who[part][row], place, values[row, column], self._rank.ravel()[place])
            )
        return _Near(*(np.concatenate(each) for each in zip(*parts, strict=True)))

    def _near(self, targets: FloatArray, level: _Level, node: IntArray) -> FloatArray:
        """Floors of the largest CIEDE2000 of nodes, for targets of shape (..., v, 3)."""
        each = floor(targets, level.lo[node], level.hi[node])
        return each[..., 0] if each.shape[-1] == 1 else np.asarray(each.max(axis=-1))

    def _dive(self, targets: FloatArray) -> IntArray:
        """The leaf reached by always taking the most promising child, shape (t,)."""
        node = np.zeros(len(targets), dtype=np.intp)
        for level in self._levels[1:]:
            children = 4 * node[:, None] + np.arange(4)
            near = self._near(targets[:, None], level, children)
            middle = 0.5 * (level.lo[children] + level.hi[children])
            away = np.abs(middle - targets[:, None]).sum(axis=(2, 3))
            node = children[np.arange(len(node)), np.argmin(near + 1e-6 * away, axis=1)]
        return node

    def _walk(
        self, asked: _Targets, within: FloatArray, tolerance: float, enough: FloatArray
    ) -> tuple[IntArray, IntArray]:
        """Pairs of targets and leaves that may hold what `_within` needs, by target."""
        who = np.arange(len(asked.targets))
        node = np.zeros_like(who)
        for level in self._levels[1:]:
            who = np.repeat(who, 4)
            node = (4 * node[:, None] + np.arange(4)).ravel()
            least = level.least[node]
            most = np.where(least <= enough[who], within[who] + tolerance, within[who]) + _SLACK
            keep: BoolArray = least <= asked.most[who]
            # Lightness is cheap and rules many out.
            light = lightness_floor(
                asked.targets[who][..., 0], level.lo[node][..., 0], level.hi[node][..., 0]
            )
            keep &= light.max(axis=-1) <= most
            who, node, most = who[keep], node[keep], most[keep]
            keep = self._near(asked.targets[who], level, node) <= most
            who, node = who[keep], node[keep]
        return who, node


def _starts(who: IntArray) -> IntArray:
    """Where each target's rows begin; rows are ordered by target, and each has some."""
    return np.flatnonzero(np.append(True, who[1:] != who[:-1])[: who.size])


def _firsts(who: IntArray, *keys: FloatArray | IntArray) -> IntArray:
    """The first row of each target by keys, the most significant first."""
    order = np.lexsort((*keys[::-1], who))
    return np.asarray(order[_starts(who[order])])
