"""Boxes of doses, and zonotopes that hold their colours."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, lab_from_response
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["HELD", "KNEE", "PRICE", "Images", "Load", "enclosed", "in_effect"]

KNEE: Final = (6.0 / 29.0) ** 3
HELD: Final = 0.05
PRICE: Final = math.sqrt(8.2)
"""Why cube roots of X, Y, Z are convex. Let X = P - N, of positive and of negative weights. By
Cauchy's inequality R R'' >= K R'^2 carries over to P: along any direction, P P'' >= K P'^2. N is
taken as linear (its rise above its tangent is counted separately). Then, where N <= H P,
(P - N) P'' - (2/3) (P - N)'^2 >= (K (1 - H) - (2/3) (1 + e)) P'^2 - (2/3) (1 + 1/e) N'^2. With
K = 0.8, H = 0.05 and e = 0.139 the first bracket is above 0, and 1 + 1/e < 8.2 is the price
of N. Below the knee f is linear, P is convex, and nothing is to be shown."""


@dataclass(frozen=True)
class Load:
    """What doses of boxes share: each its part of the box, all together the limit on paste."""

    bow: FloatArray  # (m, k) how far along its generator a dose may lie from its share of the box
    take: FloatArray  # (m, k) paste of half the width of a box
    room: FloatArray  # (m,) most paste beyond what the middle of a box takes

    @functools.cached_property
    def _limited(self) -> IntArray:
        """Boxes that the limit on paste cuts."""
        return np.flatnonzero(self.take.sum(axis=1) > self.room)

    def chosen(self, at: IntArray) -> Load:
        """Those of some boxes."""
        return Load(self.bow[at], self.take[at], self.room[at])

    def lowest(self, along: FloatArray) -> FloatArray:
        """The least that linear functions of the shares can be in each box, shape (m, ...).

        Whatever the price of paste, a box gives a floor of the function and what the limit on
        paste is then worth; one of the prices at which some dose changes its mind gives the
        largest.

        Parameters
        ----------
        along
            What each generator brings, shape (m, ..., k) or, with the remainder's, (..., k + 3).
        """
        found = -np.abs(along).sum(axis=-1)
        if not self._limited.size:
            return np.asarray(found)
        n, full = self.take.shape[1], self._limited
        own, rest = along[full, ..., :n], along[full, ..., n:]
        take, room = (self._spread(each[full], own) for each in (self.take, self.room))
        # By price and kind of dose: (m, ..., n, n).
        prices = np.divide(-own, take, out=np.zeros_like(own), where=take > 0.0)
        prices = np.maximum(prices, 0.0)
        most = np.abs(own[..., None, :] + prices[..., None] * take[..., None, :]).sum(axis=-1)
        floors = (-prices * room[..., None] - most).max(axis=-1)
        floors -= np.abs(rest).sum(axis=-1)
        if self.bow.any():
            floors -= (np.abs(own) * self._spread(self.bow[full], own)).sum(axis=-1)
        found[full] = np.maximum(found[full], floors)
        return np.asarray(found)

    def _spread(self, each: FloatArray, over: FloatArray) -> FloatArray:
        return each.reshape(len(each), *(1,) * (over.ndim - 2), *each.shape[1:])


@dataclass(frozen=True)
class Images:
    """Zonotopes that hold the colours of boxes."""

    centre: FloatArray  # (m, 3) CIELAB
    generators: FloatArray  # (m, 3, k + 3): the kinds' of dose, then the remainder's
    load: Load
    lab_lo: FloatArray  # (m, 3) an upright box that holds the colours as well
    lab_hi: FloatArray

    def chosen(self, at: IntArray) -> Images:
        """Those at some positions."""
        return Images(
            centre=self.centre[at],
            generators=self.generators[at],
            load=self.load.chosen(at),
            lab_lo=self.lab_lo[at],
            lab_hi=self.lab_hi[at],
        )


def enclosed(
    space: Space,
    load: Load,
    response: FloatArray,
    off: tuple[FloatArray, FloatArray],
    along: FloatArray,
    corners: tuple[FloatArray, FloatArray],
) -> Images:
    """Zonotopes and upright boxes, by what cube roots of X, Y, Z do over boxes of doses.

    Parameters
    ----------
    space, load
        Where, and what the doses share.
    response
        At the middle of the boxes, shape (m, 3).
    off
        The least and the most that it strays from its tangent there, each (m, 3).
    along
        How it changes over half the width of each kind of dose, shape (m, 3, k).
    corners
        CIELAB of which each coordinate is at most and at least that of every recipe, each (m, 3).
    """
    least, most = off
    generators = np.empty((*response.shape, space.size + 3))
    generators[:, :, : space.size] = LAB_FROM_RESPONSE @ along
    generators[:, :, space.size :] = LAB_FROM_RESPONSE * (0.5 * (most - least))[:, None, :]
    middle = lab_from_response(response + 0.5 * (least + most)) + space.shift
    reach = np.abs(generators).sum(axis=2)
    low, high = corners
    return Images(
        centre=middle,
        generators=generators,
        load=load,
        lab_lo=np.maximum(middle - reach, low),
        lab_hi=np.minimum(middle + reach, high),
    )


def in_effect(
    space: Space, lo: IntArray | FloatArray, hi: IntArray | FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle and half width of boxes in effective steps, and how far within they bow.

    Paste bends, so that a box of doses is one of effective loads, in which reflectance is as
    convex as ever. A dose at some share of its box has its effective load at nearly the same
    share, off by no more than the bow: a function whose slope goes from p to q over a width d
    without turning back lies within |p - q| d / 4 of its chord.

    Returns
    -------
    centre, radius
        Shape (m, k).
    bow
        In parts of the half width of all of the pigment's paste, shape (m, k).
    """
    width = np.asarray(hi - lo)
    if not space.bent:
        return np.asarray(0.5 * (lo + hi)), np.asarray(0.5 * width), np.zeros(width.shape)
    ends, pigment = (lo.astype(float), hi.astype(float)), space.limits.pigment
    first, last = (space.effective(end) for end in ends)
    slopes = [space.effective_slope(end) for end in ends]
    brought = space.limits.brought
    gained = brought(last - first)[:, pigment]  # of all kinds of the pigment, in dose steps
    paste = brought(ends[1] - ends[0])[:, pigment]
    chord = np.divide(gained, paste, out=slopes[0].copy(), where=paste > 0)
    chord = np.clip(chord, np.minimum(*slopes), np.maximum(*slopes))  # for rounding
    bow = 0.5 * np.abs(slopes[0] - slopes[1]) / chord
    bow = np.where(paste > 0, bow, 0.0)
    return 0.5 * (first + last), np.asarray(0.5 * width * chord), bow
