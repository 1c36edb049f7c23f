"""Which additions bring a batch nearest a colour, and which is the smallest that will do.

Every mass of base that may be added is a pour of its own: it thins what is in the pot and may
change the white fraction. In each, the whole steps of paste on top of what the pot holds are a
`search.space.Space`, and the searches for whole doses, with their proofs, do the rest. Masses are
gone through from none upwards, and each is asked only for what would beat the ones before.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.correction.belief import Belief
from shadematch.errors import PourError
from shadematch.optics.layer import Layer
from shadematch.search.ideal import ideal
from shadematch.search.nearness import Sight
from shadematch.search.space import Space
from shadematch.search.whole import GAP, closest, frugal
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Additions", "BaseKind", "Found", "Sought"]

BaseKind = Literal["own", "clear", "white"]
_LIST_COUNT: Final = 4000
_MOST_SPACES: Final = 1000


@dataclass(frozen=True)
class Found:
    """An addition and what it comes to.

    Attributes
    ----------
    steps
        Paste in steps, shape (n,).
    base_g
        Clear and white base [g].
    delta_e
        CIEDE2000 to the target.
    """

    steps: IntArray
    base_g: tuple[float, float]
    delta_e: float


@dataclass(frozen=True)
class Sought:
    """What a search ends with.

    Attributes
    ----------
    found
        None where nothing permitted does what was asked.
    bound
        No permitted addition has a smaller CIEDE2000 (`closest`).
    proved
        Whether every permitted addition was ruled out or looked at.
    """

    found: Found | None
    bound: float
    proved: bool


class Additions:
    """Everything that may be added to a batch.

    Parameters
    ----------
    belief
        The batch.
    target
        CIELAB in the view, shape (3,).
    step, max_load, pot_g
        Dose step [palette's unit], most paste [that per 100 g, as read], and most base
        that the pot holds [g].
    bases, base_step_g
        Kinds of base that may be added, one kind at a time, in multiples of this [g].
    excluded
        Positions of pigments that may not be added.
    """

    def __init__(
        self,
        belief: Belief,
        target: FloatArray,
        *,
        step: float,
        max_load: float,
        pot_g: float,
        bases: tuple[BaseKind, ...],
        base_step_g: float,
        excluded: tuple[int, ...] = (),
    ) -> None:
        self.belief, self.target = belief, target
        self._step, self.max_load, self.pot_g = step, max_load, pot_g
        self.bases, self.base_step_g = bases, base_step_g
        self.excluded = excluded
        self._excluded = list(excluded)
        self._mass = float(belief.total_g.sum())
        self._portions = max(math.floor((pot_g - self._mass) / base_step_g + 1e-9), 0)
        self._layers: dict[bytes, Layer] = {}
        self.complete = True  # until doses of scattering pigments have to be left out

    def portions(self) -> Iterator[list[tuple[float, float]]]:
        """Masses of clear and white base [g] that may be added; equal sums together, rising."""
        yield [(0.0, 0.0)]
        white = float(self.belief.total_g[1]) / self._mass
        shares = {"own": white, "clear": 0.0, "white": 1.0}
        kinds = list(dict.fromkeys(shares[kind] for kind in self.bases))
        for k in range(1, self._portions + 1):
            grams = k * self.base_step_g
            digits = 0 if self.base_step_g >= 1 else 3  # a blend's parts are weighed too
            parts = [(grams, round(grams * w, digits)) for w in kinds]
            yield [(round(both - white_, 6), white_) for both, white_ in parts]

    def room(self, base_g: tuple[float, float]) -> int:
        """Most steps of paste on top, with this much base; negative where it is overfull."""
        most = self.max_load * (self._mass + sum(base_g)) / 100.0
        left = most - self.belief.total
        return math.floor(left / self._step * (1 + 1e-12) + 1e-9)

    def spaces(self, base_g: tuple[float, float]) -> Iterator[tuple[IntArray, Space]]:
        """Steps taken as given and the space of the others, for one addition of base.

        There is one space, unless a pigment that scatters may be added: then there is one for
        each of its doses.
        """
        belief, n = self.belief, self.belief.count
        room = self.room(base_g)
        if room < 0 and base_g != (0.0, 0.0):
            return
        room = max(room, 0)  # to add nothing is always permitted
        lengths, strengths, base = (part[0] for part in belief.contents(belief.mean[None]))
        grams = base + base_g
        mass = float(grams.sum())
        palette, white_strength = belief.palette, belief.white_strength[0]
        clear, white = grams / mass
        absorption = np.array([p.absorption for p in palette.pigments])
        scattering = np.array(
            [p.scattering or np.zeros(absorption.shape[1]) for p in palette.pigments]
        )
        held = lengths * strengths * (100.0 / mass)
        per_step = strengths * (self._step * 100.0 / mass)
        mu_a = clear * np.asarray(palette.clear.absorption)
        mu_a = mu_a + white * np.asarray(palette.white.absorption) + held @ absorption
        mu_s = clear * np.asarray(palette.clear.scattering)
        mu_s = (
            mu_s + white_strength * white * np.asarray(palette.white.scattering) + held @ scattering
        )
        still = [i for i, p in enumerate(palette.pigments) if p.scatters]
        still = [i for i in still if i not in self._excluded]
        seen = belief.view.observation
        self.complete = self.complete and math.comb(room + len(still), len(still)) <= _MOST_SPACES
        for fixed in itertools.islice(_counts(n, still, room), _MOST_SPACES):
            upper = np.full(n, room - int(fixed.sum()), np.int64)
            upper[[*still, *self._excluded]] = 0
            yield (
                fixed,
                Space(
                    layer=self._layer(mu_s + (fixed * per_step) @ scattering),
                    base=mu_a + (fixed * per_step) @ absorption,
                    absorption=per_step[:, None] * absorption,
                    weights=seen.weights,
                    white=seen.white,
                    lower=np.zeros(n, np.int64),
                    upper=upper,
                    max_steps=room - int(fixed.sum()),
                    max_tubes=n,
                    shift=belief.shift,
                ),
            )

    def _layer(self, mu_s: FloatArray) -> Layer:
        key = mu_s.tobytes()
        if key not in self._layers:
            around = self.belief.view.surroundings
            self._layers[key] = Layer(mu_s, self.belief.thickness_cm, around)
        return self._layers[key]

    def value(self, steps: IntArray, base_g: tuple[float, float]) -> tuple[FloatArray, float]:
        """CIELAB and CIEDE2000 of one addition."""
        for fixed, space in self.spaces(base_g):
            rest = steps - fixed
            if np.all((rest >= 0) & (rest <= space.upper)):
                lab = space.lab(rest[None])[0]
                return lab, float(delta_e(lab, self.target))
        raise PourError(
            "is no addition that these limits permit",
            field="advice",
            value=f"{steps.tolist()} steps, {base_g} g",
            remedy="The file was altered",
        )

    def closest(self, *, below: float = np.inf, enough: float = 0.0) -> Sought:
        """The addition that comes closest; among equals the first in order of base.

        Parameters
        ----------
        below
            Only additions with a smaller CIEDE2000 count.
        enough
            Stop at the first one that comes this near; the bound then says nothing.
        """
        best: Found | None = None
        bound, proved = below, True
        for masses in self.portions():
            for base_g in masses:
                for fixed, space in self.spaces(base_g):
                    limit = min(below, best.delta_e if best else np.inf)
                    if space.count() > _LIST_COUNT:
                        limit -= GAP  # what gains less is not worth a search
                    found = _closest(space, self.target, limit)
                    bound = min(bound, found.bound)
                    proved = proved and found.proved
                    if found.steps is not None:
                        best = Found(found.steps + fixed, base_g, found.delta_e)
                    if best is not None and best.delta_e <= enough:
                        return Sought(best, 0.0, False)
        bound = min(bound, best.delta_e if best else below)
        return Sought(best, bound if self.complete else 0.0, proved and self.complete)

    def smallest(self, within: float) -> Sought:
        """The smallest addition with a CIEDE2000 of at most `within`.

        Smaller is: less paste; of the same paste, less base; of the same base, closer.
        """
        fewest: int | None = None
        at: list[tuple[float, float]] = []
        proved = True
        near: FloatArray | None = None
        for masses in self.portions():
            for base_g in masses:
                for fixed, space in self.spaces(base_g):
                    used = int(fixed.sum())
                    limit = space.max_steps + 1 if fewest is None else fewest - used
                    if limit <= 0:
                        continue
                    if near is None:
                        near = ideal(space, self.target)[0]
                    count, done = _fewest(space, self.target, within, limit, near)
                    proved = proved and done
                    if count is not None:
                        fewest, at = count + used, masses
            if fewest == 0:
                break
        if fewest is None:
            return Sought(None, within, proved and self.complete)
        best: Found | None = None
        for base_g in at:
            for fixed, space in self.spaces(base_g):
                left = fewest - int(fixed.sum())
                if left < 0:
                    continue
                limit_ = min(np.nextafter(within, np.inf), best.delta_e if best else np.inf)
                found = _closest(space.limited(max_steps=left), self.target, float(limit_))
                proved = proved and found.proved
                if found.steps is not None:
                    best = Found(found.steps + fixed, base_g, found.delta_e)
        assert best is not None
        return Sought(best, best.delta_e, proved and self.complete)


@dataclass(frozen=True)
class _Near:
    steps: IntArray | None
    delta_e: float
    bound: float
    proved: bool


def _counts(n: int, still: list[int], room: int) -> Iterator[IntArray]:
    """Steps of the pigments at `still` alone, shape (n,), rising in sum."""
    if not still:
        yield np.zeros(n, np.int64)
        return
    grid = np.indices([room + 1] * len(still)).reshape(len(still), -1).T
    grid = grid[grid.sum(axis=1) <= room]
    for row in grid[np.argsort(grid.sum(axis=1), kind="stable")]:
        fixed = np.zeros(n, np.int64)
        fixed[still] = row
        yield fixed


def _listed(space: Space) -> tuple[IntArray, FloatArray]:
    """Every recipe, the least paste first, and its colour."""
    points = space.recipes()
    points = points[np.argsort(points.sum(axis=1), kind="stable")]
    return points, space.lab(points)


def _closest(space: Space, target: FloatArray, below: float) -> _Near:
    if space.count() <= _LIST_COUNT:
        points, lab = _listed(space)
        values = delta_e(lab, target)
        best = int(np.argmin(values))
        least = float(values[best])
        if least < below:
            return _Near(points[best], least, least, True)
        return _Near(None, np.inf, below, True)
    hints = ideal(space, target)[0][None]
    found = closest(Sight(space, target), space, hints=hints, below=below)
    return _Near(found.steps, found.delta_e, found.bound, found.proved)


def _fewest(
    space: Space, target: FloatArray, within: float, fewer_than: int, near: FloatArray
) -> tuple[int | None, bool]:
    """Fewest steps with CIEDE2000 at most `within`, below a limit; and whether that is proved."""
    few = space.limited(max_steps=fewer_than - 1)
    if few.count() <= _LIST_COUNT:
        points, lab = _listed(few)
        good = np.flatnonzero(delta_e(lab, target) <= within)
        return (int(points[good[0]].sum()) if good.size else None), True
    sight = Sight(few, target)
    found = frugal(sight, few, within=within, less_than=fewer_than, near=near)
    if found.steps is None:
        return None, found.proved
    fewest = int(found.steps.sum())
    return fewest, found.proved and int(found.bound) == fewest
