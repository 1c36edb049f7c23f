"""Good whole recipes near a real-valued one.

With more than three pigments a colour has a whole family of real-valued recipes, and often there
is a whole recipe near it that almost meets the target. Three pigments are solved for; the doses of
the others are the family's coordinates. These are divided into tiles, the family is solved at the
centre of each tile, and every whole recipe of the tile follows by linear algebra and rounding. This
proves nothing; it gives the proof a good start.

References
----------
L. Babai, Combinatorica 6 (1986) 1 (rounding to a nearby lattice point).
"""

from __future__ import annotations

import itertools
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import squared_difference
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["near_misses"]

_REACH: Final = (0, 4, 4, 4, 2, 1)
"""How far a tile extends from its centre, by the number of doses that are not solved for."""
_GRID: Final = 20_000
_ROUNDS: Final = 3
_FARTHEST: Final = 20.0
_KEPT: Final = 1500
_KEPT_OF_TILE: Final = 6
_TILES: Final = 6400
"""Tiles at once, to save memory."""


def near_misses(space: Space, target: FloatArray, ideal: FloatArray, places: int) -> IntArray:
    """Whole recipes with colours near a target, shape (k, n).

    Parameters
    ----------
    space
        Where to look; results may still break its limits.
    target
        CIELAB, shape (3,).
    ideal
        Real-valued steps with about that colour, shape (n,).
    places
        Number of tiles to try. Up to five pigments have a few hundred in all.
    """
    limits = space.limits
    # Steps of different kinds have no common sum; their limits are checked later.
    total = limits.total if limits.grain else float(limits.upper.sum())
    free = np.flatnonzero(limits.upper > limits.lower)
    nearest = np.rint(ideal)[None].astype(np.intp)
    if not 3 < free.size < 3 + len(_REACH):
        return nearest
    root = np.linalg.cholesky(squared_difference(target, target)[2]).T
    moves = root @ space.lab_and_slope(ideal[None])[1][0]
    solved, rest, corners = _corners(moves, ideal, free)
    reach = _REACH[rest.size]
    middles = _middles(corners[:, rest], 2 * reach + 1, places)
    # The family as if colours were linear in doses, then Newton's method.
    inverse = np.linalg.inv(moves[:, solved])
    points = np.tile(ideal, (len(middles), 1))
    points[:, rest] = middles
    points[:, solved] -= (middles - ideal[rest]) @ (inverse @ moves[:, rest]).T
    hopeful = np.argsort(-points[:, solved].min(axis=1), kind="stable")[:places]
    points = np.clip(points[hopeful], 0.0, total)
    for round_ in range(_ROUNDS):
        lab, slope = space.lab_and_slope(points)
        slopes = root @ slope
        inverses = _inverses(slopes[:, :, solved])
        step = np.einsum("mij,mj->mi", inverses, (lab - target) @ root.T)
        if round_ < _ROUNDS - 1:
            points[:, solved] = np.clip(points[:, solved] - step, 0.0, total)
    wanted = points[:, solved] - step
    trade = inverses @ slopes[:, :, rest]  # (m, 3, r): change that offsets a step of the others
    play = np.abs(trade).sum(axis=2) * (reach + 0.5) + 1.0
    there = (wanted >= -play).all(axis=1) & (np.abs(step).max(axis=1) < _FARTHEST)
    if not there.any():
        return nearest
    found = [nearest]
    for tiles in np.array_split(np.flatnonzero(there), -(-int(there.sum()) // _TILES)):
        own = _Tiles(points[tiles], wanted[tiles], trade[tiles], slopes[tiles][:, :, solved])
        found.append(
            _rounded(
                own,
                nearest=nearest[0],
                solved=solved,
                rest=rest,
                reach=reach,
                total=total,
                places=min(places, _TILES),
            )
        )
    return np.unique(np.concatenate(found), axis=0)


class _Tiles(NamedTuple):
    """Tiles with the family solved at their centres."""

    points: FloatArray  # (m, n) real-valued steps
    wanted: FloatArray  # (m, 3) what is solved for, at the centre
    trade: FloatArray  # (m, 3, r) change of it that offsets a step of the others
    slopes: FloatArray  # (m, 3, 3) colour by it


def _rounded(
    tiles: _Tiles,
    *,
    nearest: IntArray,
    solved: IntArray,
    rest: IntArray,
    reach: int,
    total: float,
    places: int,
) -> IntArray:
    """The whole recipes of tiles with the smallest misses, shape (k, n)."""
    grid = np.indices((2 * reach + 1,) * rest.size).reshape(rest.size, -1).T - reach
    chosen = np.rint(tiles.points[:, rest])[:, None, :] + grid  # (m, K, r)
    shift = chosen - tiles.points[:, None, rest]
    aims = tiles.wanted[:, None, :] - shift @ np.swapaxes(tiles.trade, 1, 2)
    whole = np.rint(aims)
    miss = (whole - aims) @ np.swapaxes(tiles.slopes, 1, 2)
    score = np.einsum("mkc,mkc->mk", miss, miss)
    held = total - np.delete(nearest, [*solved, *rest]).sum()
    bad = (whole < 0).any(axis=2) | (chosen < 0).any(axis=2)
    score[bad | (whole.sum(axis=2) + chosen.sum(axis=2) > held)] = np.inf
    kept = min(max(_KEPT, _KEPT_OF_TILE * places), score.size)
    at = np.argpartition(score, kept - 1, axis=None)[:kept]
    tile, place = np.unravel_index(at[np.isfinite(score.flat[at])], score.shape)
    found = np.tile(nearest, (tile.size, 1))
    found[:, rest], found[:, solved] = chosen[tile, place], whole[tile, place]
    return found


def _corners(
    moves: FloatArray, ideal: FloatArray, free: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Three pigments to solve for, the others, and corners of the family, shape (c, n).

    As if colours were linear in doses: the family is then a polytope whose corners are the recipes
    of three pigments.
    """
    triples = np.array(list(itertools.combinations(free.tolist(), 3)))
    matrices = np.swapaxes(moves[:, triples], 0, 1)  # (t, 3, 3)
    say = np.abs(np.linalg.det(matrices))
    solved = triples[np.argmax(say)]
    rest = np.setdiff1d(free, solved)
    usable = say > 1e-9 * say.max()
    doses = np.linalg.solve(
        matrices[usable], np.broadcast_to((moves @ ideal)[:, None], (int(usable.sum()), 3, 1))
    )[:, :, 0]
    real = (doses >= -1e-6).all(axis=1)
    corners = np.tile(np.where(np.isin(np.arange(ideal.size), free), 0.0, ideal), (real.sum(), 1))
    np.put_along_axis(corners, triples[usable][real], doses[real], axis=1)
    return solved, rest, np.concatenate([ideal[None], corners])


def _middles(corners: FloatArray, width: int, places: int) -> FloatArray:
    """Centres of tiles, shape (t, r), that cover the hull of corners, shape (c, r).

    A grid if that is not too many, else random ones.
    """
    lo = np.maximum(np.floor(corners.min(axis=0)) - 1.0, 0.0)
    counts = np.ceil((corners.max(axis=0) + 2.0 - lo) / width)
    if np.prod(counts) <= _GRID:
        axes = [a + width // 2 + width * np.arange(int(c)) for a, c in zip(lo, counts, strict=True)]
        return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, lo.size)
    rng = np.random.default_rng(20_240_301)
    far = rng.dirichlet(np.full(len(corners), 0.7), size=places) @ corners
    # Colours are not linear in doses, least of all dark ones: guesses near the known recipe, the
    # first corner, are better.
    near = corners[0] + rng.random((places, 1)) ** 2 * (far - corners[0])
    return np.asarray(np.rint(near))


def _inverses(slopes: FloatArray) -> FloatArray:
    """Least-squares inverses of m matrices, shape (m, 3, 3)."""
    turned = np.swapaxes(slopes, 1, 2)
    gram = turned @ slopes
    # A tiny ridge keeps black corners, where nothing moves, invertible.
    ridge = 1e-12 * np.trace(gram, axis1=1, axis2=2) + 1e-300
    return np.asarray(np.linalg.solve(gram + ridge[:, None, None] * np.eye(3), turned))
