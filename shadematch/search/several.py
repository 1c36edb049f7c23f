"""Whole doses for several lights at once, and for let-downs beside centimetres, with proof.

The same branch and bound as in `whole`, for what it does not cover: the worst CIEDE2000 over
several views counts, and doses of different kinds have different steps (`region`). A floor of a
box is the largest of its floors under the views, since the worst is at least each of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.difference import delta_e, minorant
from shadematch.search.bounds import Judged, beyond, images_of, judge
from shadematch.search.boxes import split
from shadematch.search.lattice import listable, survivors
from shadematch.search.region import Region
from shadematch.search.space import Space
from shadematch.search.whole import GAP, Found

__all__ = ["closest_of", "frugal_of", "worst"]

_EXACT_COUNT: Final = 3_000_000
_EFFORT: Final = 60_000
_MOST_EFFORT: Final = 200_000
_LIST_COUNT: Final = 3000
_WAVE: Final = 512
_ROUNDING: Final = 1e-9
_FAR: Final = 1.0
"""CIEDE2000 from which on the norm of `minorant` is loose, and `bounds.beyond` says more."""
_MOST_CORNERS: Final = 10
_MOST_LISTED: Final = 2048
"""Recipes in one box that is gone through one by one; many kinds make many corners."""

Views = tuple[Space, ...]


def worst(views: Views, targets: FloatArray, steps: FloatArray | IntArray) -> FloatArray:
    """Largest CIEDE2000 over the views, shape (m,).

    Parameters
    ----------
    views
        v spaces of the same kinds, one for each view.
    targets
        CIELAB in each view, shape (v, 3).
    steps
        Shape (m, k).
    """
    values = [
        delta_e(space.lab(steps), target) for space, target in zip(views, targets, strict=True)
    ]
    return np.asarray(np.maximum.reduce(values))


@dataclass
class _Pool:
    lo: IntArray
    hi: IntArray
    key: FloatArray

    def first(self, count: int) -> tuple[IntArray, IntArray, FloatArray]:
        """Take the boxes with the smallest keys out."""
        order = np.argsort(self.key, kind="stable")
        taken, rest = order[:count], order[count:]
        out = self.lo[taken], self.hi[taken], self.key[taken]
        self.lo, self.hi, self.key = self.lo[rest], self.hi[rest], self.key[rest]
        return out

    def add(self, lo: IntArray, hi: IntArray, key: FloatArray) -> None:
        self.lo = np.concatenate([self.lo, lo])
        self.hi = np.concatenate([self.hi, hi])
        self.key = np.concatenate([self.key, key])


@dataclass
class _Judgement:
    """Boxes judged under all views."""

    floor: FloatArray  # (m,)
    shares: FloatArray  # (m, k) where the target is approached, under the worst view
    pull: FloatArray  # (m, k)
    first: Judged  # under the first view


def _judge(
    views: Views, targets: FloatArray, norms: list[FloatArray], radius: float,
    lo: IntArray, hi: IntArray, limit: float = np.inf,
) -> _Judgement:  # fmt: skip
    judged, floors = [], []
    for space, target, norm in zip(views, targets, norms, strict=True):
        images = images_of(space, lo, hi)
        judged.append(judge(images, target, norm, radius))
        floors.append(judged[-1].floor - _ROUNDING)
        if _FAR < limit < np.inf:
            open_ = np.flatnonzero(np.maximum.reduce(floors) < limit)
            certain = open_[beyond(images.chosen(open_), target, limit)]
            floors[-1][certain] = limit
    at = np.argmax(np.stack(floors), axis=0)
    rows = np.arange(len(lo))
    return _Judgement(
        np.maximum.reduce(floors),
        np.stack([j.shares for j in judged])[at, rows, : lo.shape[1]],
        np.maximum.reduce([j.pull for j in judged]),
        judged[0],
    )


def _listable(lo: IntArray, hi: IntArray, judged: Judged, limit: float) -> BoolArray:
    few = np.prod(hi - lo + 1.0, axis=1) <= _MOST_LISTED
    return np.asarray(listable(lo, hi, judged, limit) & few)


def _corners(region: Region, hints: FloatArray) -> IntArray:
    """Whole recipes next to real-valued ones, all permitted, shape (m, k)."""
    found = [np.zeros((0, region.size), dtype=np.int64)]
    for hint in hints:
        base = np.floor(hint + _ROUNDING).astype(np.int64)
        part = hint - base
        open_ = np.argsort(-np.minimum(part, 1 - part), kind="stable")[:_MOST_CORNERS]
        open_ = open_[part[open_] > 1e-6]
        corners = np.array(list(np.ndindex(*(2,) * open_.size)), dtype=np.int64)
        points = np.tile(base, (len(corners), 1))
        points[:, open_] += corners.reshape(len(corners), open_.size)
        found.append(points)
    return region.permitted(np.unique(np.concatenate(found), axis=0))


def _aims(region: Region, lo: IntArray, hi: IntArray, judged: _Judgement, at: IntArray) -> IntArray:
    aim = 0.5 * (lo + hi)[at] + 0.5 * (hi - lo)[at] * judged.shares[at]
    points = np.concatenate([np.rint(aim), np.floor(aim)]).astype(np.int64)
    return region.permitted(np.unique(points, axis=0))


def closest_of(
    views: Views,
    region: Region,
    targets: FloatArray,
    *,
    hints: FloatArray,
    below: float = np.inf,
    effort: int = _MOST_EFFORT,
) -> Found:
    """The permitted recipe whose worst CIEDE2000 over the views is smallest.

    Parameters
    ----------
    views
        One space for each view; of their limits none counts.
    region
        The limits.
    targets
        CIELAB in each view, shape (v, 3).
    hints
        Real-valued steps to look around first, shape (h, k).
    below
        Only recipes with a smaller worst CIEDE2000 count.
    effort
        Most boxes to look at.

    Returns
    -------
    Found
        As from `whole.closest`: exact where there are at most three million recipes or the
        search is short, else `bound` may stay up to `GAP` below.
    """
    best: IntArray | None = None
    value = np.inf

    def offer(points: IntArray) -> None:
        nonlocal best, value
        if not len(points):
            return
        values = worst(views, targets, points)
        ties = np.flatnonzero(values == values.min())
        # Ties go to less paste, then to the first in order.
        rank = [(float(points[i] @ region.paste), *points[i].tolist()) for i in ties]
        pick = int(ties[min(range(len(rank)), key=rank.__getitem__)])
        mine = (float(values[pick]), min(rank))
        if best is None or mine < (value, (float(best @ region.paste), *best.tolist())):
            best, value = points[pick].copy(), float(values[pick])

    count = region.count()
    if count <= _LIST_COUNT:
        offer(region.recipes())
        if value < below:
            return Found(best, value, value, True, 0)
        return Found(None, np.inf, below, True, 0)
    exact = _EFFORT if count <= _EXACT_COUNT else 0
    offer(_corners(region, hints))
    boxes, settled = 0, np.inf
    radius, norms = np.inf, [np.zeros((3, 3)) for _ in views]
    lo, hi = region.roots()
    pool = _Pool(*region.tighten(lo, hi, np.zeros(len(lo))))
    while pool.key.size:
        limit = min(value, below)
        gap = 0.0 if boxes < exact else GAP
        if limit <= gap:
            break
        dropped = pool.key >= limit - gap
        if dropped.any():
            settled = min(settled, float(pool.key[dropped].min()))
            pool = _Pool(pool.lo[~dropped], pool.hi[~dropped], pool.key[~dropped])
        if not pool.key.size or boxes >= effort:
            break
        if limit < 0.6 * radius and np.isfinite(limit):
            radius = limit
            norms = [minorant(target, radius) for target in targets]
        lo, hi, key = pool.first(_WAVE)
        boxes += key.size
        judged = _judge(views, targets, norms, radius, lo, hi, limit - gap)
        key = np.maximum(key, judged.floor)
        offer(_aims(region, lo, hi, judged, np.argsort(key, kind="stable")[:48]))
        limit = min(value, below)
        alive = key < limit - gap
        if not alive.all():
            settled = min(settled, float(key[~alive].min()))
        small = _listable(lo, hi, judged.first, limit) & alive
        if small.any():
            points, least = survivors(
                views[0], lo[small], hi[small], judged.first, small, limit - gap
            )
            settled = min(settled, least)
            offer(region.permitted(points))
            alive &= ~small
        children = split(lo[alive], hi[alive], judged.pull[alive], key[alive])
        pool.add(*region.tighten(*children))
    left = float(pool.key.min()) if pool.key.size else np.inf
    reached = min(value, below)
    bound = max(min(reached, settled, left), 0.0)
    if value < below:
        return Found(best, value, bound, reached - bound <= GAP, boxes)
    return Found(None, np.inf, bound, reached - bound <= GAP, boxes)


def frugal_of(
    views: Views,
    region: Region,
    targets: FloatArray,
    *,
    within: float,
    less_than: float,
    near: IntArray,
    effort: int = 40_000,
) -> Found:
    """A recipe with the least paste among those with a worst CIEDE2000 of at most `within`.

    Parameters
    ----------
    views, region, targets, effort
        As for `closest_of`.
    within
        Largest CIEDE2000 that will do.
    less_than
        Only recipes with less paste than this [cm] count.
    near
        Steps, shape (k,), whose kinds set the price of colour; any will do.

    Returns
    -------
    Found
        `steps` is None where there is none; `bound` is the proved least paste [cm], or
        `less_than`.
    """
    best: IntArray | None = None
    least = less_than
    smallest = float(region.paste.min())
    if within <= 0:
        return Found(None, np.inf, 0.0, False, 0)
    norms = [minorant(target, within) for target in targets]
    used = np.flatnonzero(near > 0)
    lo, hi = region.roots()
    pool = _Pool(*region.tighten(lo, hi, np.zeros(len(lo))))
    boxes = 0

    def take(points: IntArray) -> None:
        nonlocal best, least, used
        points = points[points @ region.paste < least - _ROUNDING]
        if not len(points):
            return
        points = points[worst(views, targets, points) <= within]
        if len(points):
            best = points[np.argmin(points @ region.paste)].copy()
            least = float(best @ region.paste)
            used = np.flatnonzero(best)

    while True:
        # Totals are sums of steps; nothing lies between one and the next smaller step's.
        keep = pool.key < least - min(smallest, 1e-6) * 0.5
        pool = _Pool(pool.lo[keep], pool.hi[keep], pool.key[keep])
        if not pool.key.size or boxes >= effort:
            break
        lo, hi, key = region.limited(max_paste=least).tighten(*pool.first(_WAVE))
        boxes += key.size
        if not len(lo):
            continue
        judged = _judge(views, targets, norms, within, lo, hi)
        key = np.maximum(key, lo @ region.paste)
        if used.size:
            key = np.maximum(key, _least_paste(lo, hi, judged.first, region.paste, used, within))
        alive = (judged.floor <= within) & (key < least - _ROUNDING)
        first = np.flatnonzero(alive)[np.argsort(key[alive], kind="stable")[:48]]
        take(np.concatenate([region.permitted(lo[first]), _aims(region, lo, hi, judged, first)]))
        small = _listable(lo, hi, judged.first, within) & alive
        if small.any():
            points, _ = survivors(views[0], lo[small], hi[small], judged.first, small, within)
            take(region.permitted(points))
            alive &= ~small
        children = split(lo[alive], hi[alive], judged.pull[alive], key[alive])
        pool.add(*region.tighten(*children))
    done = pool.key.size == 0
    bound = least if done else min(float(pool.key.min()), least)
    value = np.inf if best is None else float(worst(views, targets, best[None])[0])
    return Found(best, value, bound, done, boxes)


def _least_paste(
    lo: IntArray, hi: IntArray, judged: Judged, paste: FloatArray, used: IntArray, within: float
) -> FloatArray:
    """Lagrangian floor of the paste in all, among recipes of a box with CIEDE2000 <= `within`.

    As in `whole`, with a cost for each kind: such recipes have norm(offset + G s) <= within, so
    for any price of colour p the paste is at least the minimum over s of
    paste(s) + p . (offset + G s) - |p| within.
    """
    half = 0.5 * (hi - lo)
    columns = judged.generators[:, :, used] / np.maximum(half[:, None, used], 0.5)
    gram = np.swapaxes(columns, 1, 2) @ columns
    ridge = 1e-6 * np.trace(gram, axis1=1, axis2=2)[:, None, None] * np.eye(used.size)
    costs = np.broadcast_to(paste[used][:, None], (len(lo), used.size, 1))
    weights = np.linalg.solve(gram + ridge + 1e-300 * np.eye(used.size), costs)
    prices = -(columns @ weights)[:, :, 0]
    priced = np.einsum("mc,mck->mk", prices, judged.generators)
    k = lo.shape[1]
    return np.asarray(
        0.5 * (lo + hi) @ paste
        + np.einsum("mc,mc->m", prices, judged.offset)
        - np.linalg.norm(prices, axis=1) * within
        - np.abs(half * paste + priced[:, :k]).sum(axis=1)
        - np.abs(priced[:, k:]).sum(axis=1)
        - 1e-6
    )
