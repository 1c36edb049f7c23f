"""Boxes that hold every permitted recipe, with their colours, kept for the next target.

Where the colours of a box lie does not depend on the target. The large boxes of a search are
the same for every target and their images say little, so they are worth keeping once a space is
searched again and again: the next search starts from thousands of boxes of moderate size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.search.bounds import Images, images_of
from shadematch.search.space import Space

__all__ = ["Cover", "cover_of", "split", "tighten"]

_MOST: Final = 20_000
"""About 30 MB; more would cost more to look through than they save."""


@dataclass(frozen=True)
class Cover:
    """Boxes [lo, hi], shapes (m, n), and their images."""

    lo: IntArray
    hi: IntArray
    images: Images

    def chosen(self, mask: BoolArray) -> Cover:
        """Those where `mask`, shape (m,), is true."""
        i = self.images
        return Cover(
            self.lo[mask],
            self.hi[mask],
            Images(i.centre[mask], i.generators[mask], i.lab_lo[mask], i.lab_hi[mask]),
        )


def tighten(
    lo: IntArray, hi: IntArray, key: FloatArray, limit: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Cut from boxes what the limit on the sum forbids, and drop boxes with nothing left."""
    used = lo.sum(axis=1)
    hi = np.minimum(hi, (limit - used)[:, None] + lo)
    keep = (used <= limit) & np.all(hi >= lo, axis=1)
    return lo[keep], hi[keep], key[keep]


def split(
    lo: IntArray, hi: IntArray, pull: FloatArray, key: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Halve every box along the pigment that moves its colour most, and the next one too.

    Parameters
    ----------
    lo, hi
        Boxes, shapes (m, n); a single recipe stays as it is.
    pull
        How far each pigment moves the colour within the box, shape (m, n).
    key
        Handed on to both halves, shape (m,).
    """
    for _ in range(2):
        width = hi - lo
        weight = np.where(width > 0, np.maximum(pull, 1e-300), -1.0)
        at = np.argmax(weight, axis=1)
        rows = np.arange(at.size)
        halved = weight[rows, at] > 0
        middle = (lo[rows, at] + hi[rows, at]) // 2
        left_hi, right_lo = hi.copy(), lo.copy()
        left_hi[rows, at] = middle
        right_lo[rows, at] = middle + 1
        half = pull.copy()
        half[rows, at] *= 0.5
        lo = np.concatenate([lo, right_lo[halved]])
        hi = np.concatenate([left_hi, hi[halved]])
        pull = np.concatenate([half, half[halved]])
        key = np.concatenate([key, key[halved]])
    return lo, hi, key


def cover_of(space: Space) -> Cover:
    """Split the space into thousands of boxes, those with the most colours first."""
    lo, hi = space.roots()
    lo, hi, _ = tighten(lo, hi, np.zeros(len(lo)), space.max_steps)
    cover = Cover(lo, hi, images_of(space, lo, hi))
    while len(cover.lo) < _MOST:
        size = (cover.images.lab_hi - cover.images.lab_lo).max(axis=1)
        size = np.where(np.all(cover.lo == cover.hi, axis=1), 0.0, size)
        large = size > max(0.6 * float(size.max(initial=0.0)), 1.0)
        if not large.any():
            break
        parents, rest = cover.chosen(large), cover.chosen(~large)
        pull = np.linalg.norm(parents.images.generators[:, :, : space.size], axis=1)
        lo, hi, _ = tighten(*split(parents.lo, parents.hi, pull, size[large]), space.max_steps)
        images = images_of(space, lo, hi)
        cover = Cover(
            np.concatenate([rest.lo, lo]),
            np.concatenate([rest.hi, hi]),
            Images(
                *(
                    np.concatenate([getattr(rest.images, part), getattr(images, part)])
                    for part in ("centre", "generators", "lab_lo", "lab_hi")
                )
            ),
        )
    return cover
