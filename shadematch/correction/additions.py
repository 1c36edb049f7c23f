"""The addition that brings a batch closest to a colour, and the smallest that comes near enough.

Every mass of base that may be added dilutes the pot and may change the white fraction. For each,
the whole steps of paste on top of what the pot holds form a `search.space.Space`, which the
searcher searches with proof. Masses are tried from none upwards, each only for what would beat the
best so far.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.correction.belief import BatchBelief
from shadematch.correction.spectra import spectra_of
from shadematch.errors import PourError
from shadematch.optics.layer import Layer
from shadematch.search.limits import step_limits
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space
from shadematch.search.whole import GAP, LISTED, Solution
from shadematch.studio.bend import effective, white_share
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Additions", "BaseKind", "Sought"]

BaseKind = Literal["own", "clear", "white"]


@dataclass(frozen=True)
class Sought(Solution):
    """A `Solution` in steps to add, with clear and white base to add [g]."""

    base_g: tuple[float, float]


_NOTHING: Final = Sought(
    steps=None, delta_e=np.inf, bound=np.inf, proved=True, boxes=0, base_g=(0.0, 0.0)
)


class Additions:
    """Everything that may be added to a batch.

    Parameters
    ----------
    belief
        The batch.
    target
        CIELAB in the view, shape (3,).
    step, max_load, pot_g
        Dose step [palette's unit], load limit [palette's unit per 100 g, as read], and most base
        that the pot holds [g].
    bases, base_step_g
        Kinds of base that may be added, one kind at a time, in multiples of `base_step_g`.
    excluded
        Positions of pigments that may not be added.
    """

    def __init__(
        self,
        belief: BatchBelief,
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
        self._mass = float(belief.total_g.sum())
        self._portions = max(math.floor((pot_g - self._mass) / base_step_g + 1e-9), 0)
        self._layers: dict[bytes, Layer] = {}

    def portions(self) -> Iterator[list[tuple[float, float]]]:
        """Permitted masses of clear and white base to add [g]: lists of equal sum, rising."""
        yield [(0.0, 0.0)]
        white = float(self.belief.total_g[1]) / self._mass
        shares = {"own": white, "clear": 0.0, "white": 1.0}
        kinds = list(dict.fromkeys(shares[kind] for kind in self.bases))
        for k in range(1, self._portions + 1):
            grams = k * self.base_step_g
            digits = 0 if self.base_step_g >= 1 else 3  # both parts of a blend are weighed
            parts = [(grams, round(grams * w, digits)) for w in kinds]
            yield [(round(both - white_, 6), white_) for both, white_ in parts]

    def room(self, base_g: tuple[float, float]) -> int:
        """Most steps of paste to add with this much base; negative if over the load limit."""
        most = self.max_load * (self._mass + sum(base_g)) / 100.0
        left = most - self.belief.total
        return math.floor(left / self._step * (1 + 1e-12) + 1e-9)

    def _spaces(
        self, masses: list[tuple[float, float]]
    ) -> Iterator[tuple[tuple[float, float], Space]]:
        """The space of each addition of base under the load limit."""
        for base_g in masses:
            room = self.room(base_g)
            if room >= 0 or base_g == (0.0, 0.0):  # adding nothing is always permitted
                yield base_g, self._space(base_g, max(room, 0))

    def _space(self, base_g: tuple[float, float], room: int) -> Space:
        belief, n = self.belief, self.belief.count
        doses, strengths, base = (part[0] for part in belief.contents(belief.mean[None]))
        grams = base + base_g
        mass = float(grams.sum())
        clear, white = grams / mass
        a, s, bend, crowding = spectra_of(belief.mixed, belief.mean[belief.modes])
        absorption, scattering = a[:n], s[:n]
        loads, load_per_step = doses * (100.0 / mass), self._step * 100.0 / mass
        held = effective(loads, bend) * strengths
        per_step = (strengths * load_per_step)[:, None]
        mu_a = clear * a[n] + white * a[n + 1] + held @ absorption
        share = float(np.exp(belief.mean[n])) * white_share(white, crowding)
        mu_s = clear * s[n] + share * s[n + 1] + held @ scattering
        around = belief.view.surroundings
        free = np.delete(scattering, self.excluded, axis=0)
        if free.any():
            layer = None
        else:
            key = mu_s.tobytes()
            if key not in self._layers:
                self._layers[key] = Layer(mu_s, belief.thickness_cm, around)
            layer = self._layers[key]
        return Space(
            limits=step_limits(belief.count, room, excluded=self.excluded),
            base=mu_a,
            absorption=per_step * absorption,
            base_scattering=mu_s,
            scattering=per_step * scattering,
            bend=bend,
            load_per_step=load_per_step,
            held=loads,
            thickness_cm=belief.thickness_cm,
            around=around,
            seen=(belief.view.observation,),
            layer=layer,
            shift=belief.shift,
        )

    def value(self, steps: IntArray, base_g: tuple[float, float]) -> tuple[FloatArray, float]:
        """CIELAB and CIEDE2000 of one addition."""
        for _, space in self._spaces([base_g]):
            if len(space.limits.permitted(steps[None])):
                lab = Searcher(space).colours(steps[None])[0, 0]
                return lab, float(delta_e(lab, self.target))
        raise PourError(
            "is not permitted by these limits",
            field="advice",
            value=f"{steps.tolist()} steps, {base_g} g",
            remedy="The file was altered",
        )

    def closest(self, *, below: float = np.inf, enough: float = 0.0) -> Sought:
        """The closest addition with a CIEDE2000 under `below`; of equals the one with least base.

        With `enough`, the first addition that near, and no bound.
        """
        best = replace(_NOTHING, bound=below)
        for masses in self.portions():
            for base_g, space in self._spaces(masses):
                limit = min(below, best.delta_e)
                if space.limits.count() > LISTED:
                    limit -= GAP  # a smaller gain is not worth a search
                found = Searcher(space).closest(self.target, below=limit)
                best = _better(best, found, base_g)
                if best.delta_e <= enough:
                    return replace(best, bound=0.0, proved=False)
        return replace(best, bound=min(best.bound, best.delta_e))

    def smallest(self, within: float) -> Sought:
        """The addition within a CIEDE2000 with least paste, then least base, then closest."""
        fewest: float | None = None
        at: list[tuple[float, float]] = []
        proved, near = True, None
        for masses in self.portions():
            for _, space in self._spaces(masses):
                limit = space.limits.total + 1 if fewest is None else fewest
                if limit <= 0:
                    continue
                searcher = Searcher(space.limited(max_paste=limit - 1))
                near = searcher.ideal(self.target)[0] if near is None else near
                found = searcher.least(self.target, within=within, less_than=limit, near=near)
                proved = proved and found.proved
                if found.steps is not None:
                    fewest, at = float(found.steps.sum()), masses
        best = replace(_NOTHING, bound=within, proved=proved)
        for base_g, space in self._spaces(at):
            limit = min(float(np.nextafter(within, np.inf)), best.delta_e)
            searcher = Searcher(space.limited(max_paste=fewest))
            best = _better(best, searcher.closest(self.target, below=limit), base_g)
        return best


def _better(best: Sought, found: Solution, base_g: tuple[float, float]) -> Sought:
    """The best after a search for something better."""
    if found.steps is not None:
        best = replace(best, steps=found.steps, delta_e=found.delta_e, base_g=base_g)
    return replace(
        best,
        bound=min(best.bound, found.bound),
        proved=best.proved and found.proved,
        boxes=best.boxes + found.boxes,
    )
