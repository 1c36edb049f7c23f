"""Floors of the distance between boxes of doses and a target.

Under several lights the largest CIEDE2000 counts. A floor under any one light is a floor of that,
so the largest floor counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.floors import farthest, floor, minorant
from shadematch.search.bounds import BoxFloors, beyond, images_of, judge
from shadematch.search.images import Images
from shadematch.search.space import Space
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["ROUNDING", "Nearness", "Settle", "lengths"]

ROUNDING: Final = 1e-9
"""Allowance for rounding in a floor [CIEDE2000]."""
_BEYOND: Final = 1e-6
_FAR: Final = 1.0
"""CIEDE2000 from which on a target counts as far: the norm of `minorant` is loose there."""
_SHRUNK: Final = 0.6
_PATIENCE: Final = 8
"""Waves of boxes that cost more than a plane does."""
_CELLS: Final = 20_000, 160_000
"""Cells of CIELAB that a plane takes, and one of a search that turns out long ..."""
_LONG: Final = 24
"""... after so many waves."""
_RADII: Final = (np.inf, 4.0, 1.0, 0.25, 0.06)
"""A plane for boxes that lie within so much of the colour that is faced, in each coordinate: what
is nearer than a limit is not convex in CIELAB, so that the plane for all of it may lie far off."""
_SEVERAL: Final = 32
"""Boxes for which a plane of their own is worth making."""
_EVERYWHERE: Final = np.array([-50.0, -512.0, -512.0]), np.array([150.0, 512.0, 512.0])
"""CIELAB of all reflectances between 0 and 1, and more."""


Settle = Callable[[IntArray], FloatArray]


class Nearness:
    """Distances of the doses of a space from a target.

    Parameters
    ----------
    space
        The doses, and the views that count.
    target
        CIELAB in each view, shape (v, 3), or (3,) for one.
    radius
        Floors need not exceed this CIEDE2000; see `narrow`.
    norms
        A matrix W for each view: what counts is then not CIEDE2000 but the length of W times
        the difference in CIELAB, such as `minorant` gives.
    settle
        Computes colours in each view, shape (m, v, 3), of whole recipes, where those of the
        space are vague.
    """

    def __init__(
        self,
        space: Space,
        target: FloatArray,
        radius: float = np.inf,
        norms: Sequence[FloatArray] | None = None,
        settle: Settle | None = None,
    ) -> None:
        self.space = space
        self.targets: FloatArray = np.reshape(target, (len(space.seen), 3))
        self._radius, self._given = np.inf, norms is not None
        self._settle = settle if space.vague else None
        self._norms = [np.zeros((3, 3)) for _ in space.seen] if norms is None else list(norms)
        self._away: FloatArray | None = None
        self._toward: FloatArray | None = None
        self._reached = False  # whether the norm, which is good near the target, does alone
        self._faced: FloatArray = self.targets[0]
        self._planes: dict[float, _Plane] = {}
        self._waves = 0
        self.narrow(radius)

    @property
    def vague(self) -> bool:
        """Whether `worst` is slow, and `between` says something else."""
        return self._settle is not None

    def narrow(self, limit: float) -> None:
        """Tighten the norms: from here on only what is nearer than `limit` matters."""
        if not self._given and np.isfinite(limit) and limit < _SHRUNK * self._radius:
            # Floors end at the radius, so it must lie beyond what they are held against.
            self._radius = limit + _BEYOND
            if limit > 0:
                self._norms = [minorant(target, self._radius) for target in self.targets]

    def worst(self, steps: FloatArray | IntArray) -> FloatArray:
        """Largest distance over the views, shape (m,), of steps of shape (m, k)."""
        if self._settle is None:
            return self.seen(steps)
        return self._farthest(list(np.moveaxis(self._settle(np.asarray(steps, np.intp)), 1, 0)))

    def seen(self, steps: FloatArray | IntArray) -> FloatArray:
        """The same of any steps, as the space has them; right but for hundred-thousandths."""
        return self._farthest(self.space.labs(steps))

    def _farthest(self, labs: list[FloatArray]) -> FloatArray:
        if self._given:
            values = lengths(labs, self.targets, self._norms)
        else:
            values = [delta_e(lab, goal) for lab, goal in zip(labs, self.targets, strict=True)]
        return values[0] if len(values) == 1 else np.asarray(np.maximum.reduce(values))

    def between(self, steps: IntArray) -> tuple[FloatArray, FloatArray]:
        """The least and the most that `worst` can give, shapes (m,); quick where it is slow."""
        if self._settle is None or not len(steps):
            values = self.worst(steps)
            return values, values
        least, middle = [], []
        for (lo, hi), goal in zip(self.space.ranges(steps), self.targets, strict=True):
            least.append(floor(goal, lo, hi) - ROUNDING)
            middle.append(delta_e(0.5 * (lo + hi), goal))
        low, mid = np.maximum.reduce(least), np.maximum.reduce(middle)
        # No farther up than twice as far as down: the range is small beside what it bends by.
        return low, mid + 2.0 * (mid - low)

    def judged(self, steps: IntArray, limit: float) -> tuple[FloatArray, FloatArray]:
        """As `between`, but exact for steps of which it doesn't tell whether `limit` is met."""
        least, most = self.between(steps)
        unsure = np.flatnonzero((most > limit) & (least <= limit))
        if self.vague and unsure.size:
            least[unsure] = most[unsure] = self.worst(steps[unsure])
        return least, most

    def face(self, steps: FloatArray) -> None:
        """Say which steps, shape (k,), are about the best, for a target that is far from all.

        What is nearer than some limit lies in front of a plane across the gradient there. How far
        in front is proved for all of CIELAB at once, and again for what lies about as near to the
        colour of these steps as a box does, so that a box needs only be held against it.
        Under several lights the worst counts, whose gradient is that of no one light.
        """
        if len(self.targets) > 1 or self._given:
            return
        lab = self.space.lab(steps[None])[0]
        square, slope, _ = squared_difference(lab, self.targets[0])
        self._reached = bool(square <= _FAR * _FAR)
        if not self._reached:
            self._toward = lab - self.targets[0]
            self._away, self._faced = slope / (2.0 * np.sqrt(square)), lab
            self._planes = {}

    def _behind(self, images: Images, limit: float) -> BoolArray:
        """Which boxes lie behind such a plane."""
        result = np.zeros(len(images.centre), dtype=bool)
        self._waves += 1
        if self._away is None or self._waves < _PATIENCE:
            return result
        far = np.maximum(images.lab_hi - self._faced, self._faced - images.lab_lo).max(axis=1)
        for radius in _RADII:
            inside = np.flatnonzero(~result & (far <= radius))
            if inside.size < (_SEVERAL if np.isfinite(radius) else 1):
                break
            plane = self._plane(radius, limit)
            own = images.chosen(inside)
            across = own.centre @ plane.direction
            least = own.load.lowest(np.einsum("c,mck->mk", plane.direction, own.generators))
            rounding = 1e-9 * (1.0 + np.abs(across))
            result[inside] = across + least - rounding >= plane.level
        return result

    def _plane(self, radius: float, limit: float) -> _Plane:
        """A plane for boxes within some distance of the colour that is faced, made anew at need."""
        known = self._planes.get(radius)
        cells = _CELLS[self._waves >= _LONG]
        stale = known is None or self._waves - known.wave >= _PATIENCE
        better = known is None or limit < known.limit - ROUNDING or cells > known.cells
        if known is None or limit > known.limit or (stale and better):
            assert self._away is not None
            lo, hi = (np.clip(self._faced + d, *_EVERYWHERE) for d in (-radius, radius))
            level = farthest(self.targets[0], limit, self._away, lo, hi, cells=cells)
            known = _Plane(self._away, level, limit, self._waves, cells)
            self._planes[radius] = known
        return known

    def judge(
        self,
        lo: IntArray | FloatArray,
        hi: IntArray | FloatArray,
        limit: float = np.inf,
        most_paste: float = np.inf,
    ) -> BoxFloors:
        """Floors of boxes [lo, hi], shapes (m, k), rounding seen to.

        Parameters
        ----------
        lo, hi
            Of whole or real-valued steps.
        limit
            A floor of at least this is as good as any larger one, so no more work is spent on
            it.
        most_paste
            Recipes with more paste [dose steps] need not be bounded.

        Returns
        -------
        Judged
            `floor` is the largest over the views, `shares` is that view's, `pull` the largest;
            `offset` and `generators` are the first view's.
        """
        all_ = []
        for i, images in enumerate(images_of(self.space, lo, hi, most_paste)):
            target = self.targets[i]
            # Where the norm itself is asked for, floors of CIEDE2000 are none.
            most = -np.inf if self._given else limit + ROUNDING
            judged = judge(
                images,
                target=target,
                norm=self._norms[i],
                radius=self._radius,
                limit=most,
                away=self._toward,
            )
            least = judged.floor - ROUNDING
            if not self._given and not self._reached and _FAR < limit < np.inf:
                open_ = np.flatnonzero(least < limit)
                behind = self._behind(images.chosen(open_), limit)
                least[open_[behind]] = limit
                open_ = open_[~behind]
                least[open_[beyond(images.chosen(open_), target, limit)]] = limit
            all_.append(replace(judged, floor=least))
        if len(all_) == 1:
            return all_[0]
        floors = np.stack([j.floor for j in all_])
        at, rows = np.argmax(floors, axis=0), np.arange(len(lo))
        return replace(
            all_[0],
            floor=floors.max(axis=0),
            shares=np.stack([j.shares for j in all_])[at, rows],
            pull=np.maximum.reduce([j.pull for j in all_]),
        )


@dataclass(frozen=True)
class _Plane:
    """A plane in front of which all colours nearer to the target than `limit` lie."""

    direction: FloatArray  # (3,)
    level: float
    limit: float
    wave: int  # when it was made
    cells: int


def lengths(
    labs: Sequence[FloatArray], targets: FloatArray, norms: Sequence[FloatArray]
) -> list[FloatArray]:
    """Of colours (..., 3) in each view, the lengths of W (lab - target), shapes (...)."""
    return [
        np.asarray(np.linalg.norm((lab - goal) @ norm.T, axis=-1))
        for lab, goal, norm in zip(labs, targets, norms, strict=True)
    ]
