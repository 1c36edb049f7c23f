"""What the searches work on: doses in steps, and their colours."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.colour.standards import Observation
from shadematch.optics.layer import Layer, Surroundings, radiance_factor, reflectance
from shadematch.optics.surface import MOST_BACKINGS, Surface
from shadematch.predicting.prediction import Model
from shadematch.search.limits import DoseLimits, step_limits
from shadematch.studio.bend import effective, effective_slope
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Space", "lab_range", "whole_space"]

_CHUNK: Final = 16_384


def lab_range(
    lo: FloatArray, hi: FloatArray, white: FloatArray, shift: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Opposite corners in CIELAB, shapes (m, 3), of what holds boxes [lo, hi] of XYZ."""
    positive, negative = np.maximum(LAB_FROM_RESPONSE, 0.0), np.minimum(LAB_FROM_RESPONSE, 0.0)
    offset = lab_from_response(np.zeros(3)) + shift
    f_lo, f_hi = (cube_root_response(end, white)[0] for end in (lo, hi))
    return (
        f_lo @ positive.T + f_hi @ negative.T + offset,
        f_hi @ positive.T + f_lo @ negative.T + offset,
    )


@dataclass(frozen=True, eq=False)
class Space:
    """Steps of k kinds of dose under limits, and their colour in one or more views.

    Doses are whole numbers of steps or, for the continuous searches, real ones.

    Attributes
    ----------
    limits
        The permitted doses.
    base, base_scattering
        Absorption and reduced scattering [1/cm] without any dose, shape (36,).
    absorption, scattering
        What an effective step of each kind adds to them [1/cm], shape (k, 36).
    bend
        Bend of each pigment (`shadematch.studio.bend`), shape (n,).
    load_per_step
        Load of one dose step [palette's unit per 100 g], for the bends.
    held
        Load of each pigment before any step, part of `base`, shape (n,).
    thickness_cm, around
        Thickness of the layer [cm], and what lies around it.
    seen
        The observations, one for each view.
    layer
        Radiance factor by absorption; None if a free kind of dose scatters. Colours then come
        from the two-variable table.
    shift
        CIELAB added to every colour, shape (3,): the known error for a real batch.
    rough
        Whether `labs` and `labs_and_slopes` may be off by some hundred-thousandths where kinds
        scatter, which takes a tenth of the time: to find out where to look.
    """

    limits: DoseLimits
    base: FloatArray
    absorption: FloatArray
    base_scattering: FloatArray
    scattering: FloatArray
    bend: FloatArray
    load_per_step: float
    held: FloatArray
    thickness_cm: float
    around: Surroundings
    seen: tuple[Observation, ...]
    layer: Layer | None
    shift: FloatArray
    rough: bool = False

    @classmethod
    def of(cls, models: Sequence[Model], load_per_step: float, limits: DoseLimits) -> Space:
        """The space of models, one for each view, which differ in their light alone."""
        first = models[0]
        loads = limits.brought(np.eye(limits.size)) * load_per_step
        scattering = loads @ first.scattering
        free = scattering.any(axis=1) & (limits.upper > 0)
        return cls(
            limits=limits,
            base=first.base_absorption,
            absorption=loads @ first.absorption,
            base_scattering=first.base_scattering,
            scattering=scattering,
            bend=first.bend,
            load_per_step=load_per_step,
            held=np.zeros(limits.pigments),
            thickness_cm=first.thickness_cm,
            around=first.view.surroundings,
            seen=tuple(Observation(model.weights, model.white) for model in models),
            layer=None if free.any() else first.layer,
            shift=np.zeros(3),
        )

    @property
    def size(self) -> int:
        """Number of kinds."""
        return self.limits.size

    @property
    def scattering_kinds(self) -> tuple[int, ...]:
        """Positions of the free kinds that scatter."""
        free = self.scattering.any(axis=1) & (self.limits.upper > 0)
        return tuple(np.flatnonzero(free).tolist())

    @property
    def undiluted(self) -> Space:
        """The space without let-downs."""
        limits = self.limits.undiluted
        if limits is self.limits:
            return self
        n = limits.size
        return replace(
            self, limits=limits, absorption=self.absorption[:n], scattering=self.scattering[:n]
        )

    def limited(self, *, max_paste: float | None = None, max_tubes: int | None = None) -> Space:
        """The space with tighter limits."""
        if max_paste is None and max_tubes is None:
            return self
        limits = self.limits.limited(max_paste=max_paste, max_tubes=max_tubes)
        return replace(self, limits=limits)

    def holding(self, fixed: IntArray, layer: Layer | None = None) -> Space:
        """The space with the kinds that scatter fixed at `fixed` steps, shape (k,).

        Only absorption varies then, as the proofs require. `layer` is that of these steps, if it
        exists already.
        """
        # All kinds of a pigment scatter or none does, so these are all its doses.
        effective = self.effective(fixed.astype(float))
        base_scattering = self.base_scattering + effective @ self.scattering
        return replace(
            self,
            limits=self.limits.held(fixed, self.scattering_kinds),
            base=self.base + effective @ self.absorption,
            base_scattering=base_scattering,
            layer=layer or Layer(base_scattering, self.thickness_cm, self.around),
        )

    @functools.cached_property
    def bent(self) -> bool:
        """Whether the strength of some pigment is not proportional to its dose."""
        return bool(self.bend.any())

    def _loads(self, steps: FloatArray) -> FloatArray:
        """Load of each pigment, `held` included, shape (..., n)."""
        return np.asarray(self.held + self.load_per_step * self.limits.brought(steps))

    def effective(self, steps: FloatArray | IntArray) -> FloatArray:
        """Effective steps, shape (..., k), in which strength is proportional; rising with steps.

        All doses of a pigment, and what is held, bend together; each kind gets its share.
        """
        if not self.bent:
            return np.asarray(steps)
        start, loads = self.held, self._loads(np.asarray(steps, dtype=float))
        gained = effective(loads, self.bend) - effective(start, self.bend)
        if self.limits.size == self.limits.pigments:  # one kind of dose each
            return np.asarray(gained / self.load_per_step)
        first = np.broadcast_to(effective_slope(start, self.bend), loads.shape)
        ratio = np.divide(gained, loads - start, out=first.copy(), where=loads > start)
        return np.asarray(steps * ratio[..., self.limits.pigment])

    def effective_slope(self, steps: FloatArray) -> FloatArray:
        """Effective steps that a small further step of each kind adds, shape (..., k)."""
        slope = effective_slope(self._loads(steps), self.bend)
        return np.asarray(slope[..., self.limits.pigment])

    def spectra(self, steps: FloatArray | IntArray) -> FloatArray:
        """Radiance factors, shape (..., 36), of steps of shape (..., k)."""
        steps = self.effective(steps)
        mu_a = self.base + steps @ self.absorption
        if self.layer is not None:
            return self.layer.value(mu_a)
        mu_s = self.base_scattering + steps @ self.scattering
        surface = self.surface if self.rough else None
        if surface is not None and steps.ndim == 2:
            return surface.value(mu_a, mu_s)
        return radiance_factor(mu_a, mu_s, self.thickness_cm, self.around)

    @functools.cached_property
    def surface(self) -> Surface | None:
        """All that `spectra` gives where kinds scatter, but for millionths; None: not worth it."""
        if np.unique(self.around.backing).size > MOST_BACKINGS:
            return None
        return Surface(self.thickness_cm, self.around)

    def sketched(self, steps: IntArray) -> FloatArray:
        """CIELAB in each view, shape (m, v, 3), of very many steps, shape (m, k).

        As `labs`, but off by some hundred-thousandths if kinds scatter.
        """
        starts = range(0, len(steps), _CHUNK)
        parts = [self._sketched(steps[i : i + _CHUNK].astype(float)) for i in starts]
        return np.concatenate([np.empty((0, len(self.seen), 3)), *parts])

    def _sketched(self, steps: FloatArray) -> FloatArray:
        surface = None if self.layer is not None else self.surface
        if surface is None:
            return np.stack(self.labs(steps), axis=1)
        effective = self.effective(steps)
        mu_a = self.base + effective @ self.absorption
        mu_s = self.base_scattering + effective @ self.scattering
        return np.stack(self._labs(surface.value(mu_a, mu_s)), axis=1)

    @property
    def vague(self) -> bool:
        """Whether colours come from the surface, which strays a little from what layers give."""
        return self.layer is None and self.surface is not None

    def ranges(self, steps: IntArray) -> list[tuple[FloatArray, FloatArray]]:
        """Corners of what holds the colours of steps, shape (m, k), in each view: (m, 3) each.

        Only where colours are `vague`.
        """
        surface = self.surface
        assert surface is not None
        effective = self.effective(np.asarray(steps, dtype=float))
        mu_a = self.base + effective @ self.absorption
        R = surface.value(mu_a, self.base_scattering + effective @ self.scattering)
        stray = surface.stray(mu_a)
        return [
            lab_range(
                R @ w.T - stray @ np.abs(w).T, R @ w.T + stray @ np.abs(w).T, white, self.shift
            )
            for w, white in self.seen
        ]

    def labs(self, steps: FloatArray | IntArray) -> list[FloatArray]:
        """CIELAB in each view, shapes (..., 3), of steps of shape (..., k)."""
        return self._labs(self.spectra(steps))

    def _labs(self, R: FloatArray) -> list[FloatArray]:
        found = [cube_root_response(R @ each.weights.T, each.white)[0] for each in self.seen]
        return [lab_from_response(f) + self.shift for f in found]

    def lab(self, steps: FloatArray | IntArray) -> FloatArray:
        """CIELAB in the first view."""
        return self.labs(steps)[0]

    def labs_and_slopes(self, steps: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
        """CIELAB and its Jacobian in each view, shapes (m, 3) and (m, 3, k); `steps` is (m, k)."""
        effective = self.effective(steps)
        mu_a = self.base + effective @ self.absorption
        if self.layer is not None:
            R, by_a = self.layer.evaluate(mu_a)
            by_s = None
        else:
            mu_s = self.base_scattering + effective @ self.scattering
            if self.rough and self.surface is not None:
                R, by_a, by_s = self.surface.evaluate(mu_a, mu_s)
            else:
                R, by_a, by_s = reflectance(mu_a, mu_s, self.thickness_cm, self.around)
        found, pace = [], self.effective_slope(steps)[:, None, :] if self.bent else None
        for view, each in enumerate(self.seen):
            slope = self.xyz_slope(by_a, view, by_s=by_s)
            if pace is not None:
                slope = slope * pace
            f, f_slope = cube_root_response(R @ each.weights.T, each.white)
            lab = lab_from_response(f) + self.shift
            found.append((lab, LAB_FROM_RESPONSE @ (f_slope[..., None] * slope)))
        return found

    def lab_and_slope(self, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB and its Jacobian in the first view."""
        return self.labs_and_slopes(steps)[0]

    def xyz_slope(
        self, by_a: FloatArray, view: int = 0, *, by_s: FloatArray | None = None
    ) -> FloatArray:
        """XYZ by effective steps in a view, shape (m, 3, k).

        From dR/d(mu_a) and, where kinds scatter, dR/d(mu_s'), shapes (m, 36).
        """
        slope = by_a @ self._absorbed[view]
        if by_s is not None:
            slope = slope + by_s @ self._scattered[view]
        return np.asarray(slope.reshape(-1, 3, self.size))

    @functools.cached_property
    def _absorbed(self) -> list[FloatArray]:
        return self._products(self.absorption)

    @functools.cached_property
    def _scattered(self) -> list[FloatArray]:
        return self._products(self.scattering)

    def _products(self, per_step: FloatArray) -> list[FloatArray]:
        """Weights times the addition of a step, for each view; shape (36, 3 k)."""
        each = [seen.weights[:, None, :] * per_step for seen in self.seen]
        return [part.reshape(-1, self.base.size).T.copy() for part in each]


def whole_space(
    model: Model,
    *,
    load_per_step: float,
    max_steps: int,
    max_tubes: int | None = None,
    required: Sequence[int] = (),
    excluded: Sequence[int] = (),
) -> Space:
    """Whole dose steps in one view; see `Space.of` and `limits.step_limits`."""
    limits = step_limits(
        len(model.absorption),
        max_steps,
        max_tubes=max_tubes,
        required=required,
        excluded=excluded,
    )
    return Space.of([model], load_per_step, limits)
