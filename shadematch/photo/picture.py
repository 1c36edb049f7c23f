"""An opened photo: pieces of it in linear light, upright, unpacking as little as possible.

Orientation is applied to each piece, so a large photo is held only once.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shadematch.errors import PhotoError, ShadematchError
from shadematch.photo.profile import Profile
from shadematch.support.arrays import BoolArray

__all__ = ["Codes", "Patch", "Picture", "decoding"]


_SAMPLE: Final = 250_000
"""Regions with more pixels are thinned to a regular grid of about so many."""
_ROWS: Final = 4_000_000  # pixels cut out at a time


Codes = NDArray[Any]
"""uint8 or uint16, shape (rows, columns, channels)."""
Float32 = NDArray[np.float32]


class Patch(NamedTuple):
    """A piece of a photo in linear light.

    Attributes
    ----------
    linear
        Channel values 0 to 1 in the photo's own primaries, shape (rows, columns, channels).
    seen
        Where it is not transparent, shape (rows, columns).
    full, empty
        Where a channel is at its upper or lower end, shape (rows, columns, channels).
    step
        Linear size of one code step at each value, shape of `linear`.
    x, y
        Centre of each column and row, in pixels of the upright photo.
    """

    linear: Float32
    seen: BoolArray
    full: BoolArray
    empty: BoolArray
    step: Float32
    x: Float32
    y: Float32


@dataclass(frozen=True, eq=False)
class Picture:
    """An opened photo, upright.

    Attributes
    ----------
    width, height
        In pixels, upright.
    bits
        Per channel as stored, 8 or 16.
    profile
        The meaning of its numbers.
    notes
        What was found and done, in words.
    """

    width: int
    height: int
    bits: int
    profile: Profile
    notes: tuple[str, ...]
    _orientation: int = field(repr=False)
    _cut: Callable[[int, int, int, int], Codes] = field(repr=False)
    _alpha: bool = field(repr=False)

    def cut(self, left: int, top: int, right: int, bottom: int) -> Patch:
        """The pixels from `left` to `right` and `top` to `bottom` (ends excluded).

        Pieces of more than 250,000 pixels are thinned: every second, third, ... pixel of every
        second, third, ... row. A damaged file is a `PhotoError`.
        """
        every = max(1, int(np.ceil(np.sqrt((right - left) * (bottom - top) / _SAMPLE))))
        codes = self._upright(left, top, right, bottom, every)
        colour, linear, seen = self._linear(codes)
        top_code = 2**self.bits - 1
        steps = [np.gradient(table) for table in self.profile.tables(self.bits)]
        step = np.stack([s[colour[..., i]] for i, s in enumerate(steps)], axis=-1)
        margin = top_code // 255
        return Patch(
            linear=linear,
            seen=seen,
            full=colour >= top_code - margin,
            empty=colour <= margin,
            step=step.astype(np.float32),
            x=np.arange(left, right, every, dtype=np.float32) + 0.5,
            y=np.arange(top, bottom, every, dtype=np.float32) + 0.5,
        )

    def small(self, longest: int) -> tuple[Patch, float]:
        """The whole photo with its longer side reduced to at most `longest` pixels.

        Each pixel is the mean of a square, in codes, which removes noise as thinning would not;
        incomplete squares at the right and lower edge are dropped. With it, the side of a square
        in pixels of the photo.
        """
        every = max(1, -(-max(self.width, self.height) // longest))
        narrow = every > min(self.width, self.height)  # not one full square
        squares = self._upright(0, 0, self.width, self.height, every, mean=not narrow)
        colour, linear, seen = self._linear(squares)
        rows, columns = squares.shape[:2]
        patch = Patch(
            linear=linear,
            seen=seen,
            full=colour >= 2**self.bits - 1,
            empty=colour <= 0,
            step=np.zeros_like(linear),
            x=np.arange(columns, dtype=np.float32) * np.float32(every) + np.float32(every / 2),
            y=np.arange(rows, dtype=np.float32) * np.float32(every) + np.float32(every / 2),
        )
        return patch, float(every)

    def _linear(self, codes: Codes) -> tuple[Codes, Float32, BoolArray]:
        """Colour codes without alpha, their linear values, and where they are opaque."""
        colour = codes[..., : self.profile.channels]
        tables = self.profile.tables(self.bits)
        linear = np.stack([t[colour[..., i]] for i, t in enumerate(tables)], axis=-1)
        if self._alpha:
            return colour, linear, codes[..., -1] >= 0.99 * (2**self.bits - 1)
        return colour, linear, np.ones(codes.shape[:2], dtype=bool)

    def _upright(
        self, left: int, top: int, right: int, bottom: int, every: int, *, mean: bool = False
    ) -> Codes:
        """Codes of a piece of the upright photo, thinned or reduced to means."""
        turned = self._orientation >= 5
        wide, high = (self.height, self.width) if turned else (self.width, self.height)
        x0, y0, x1, y1 = left, top, right, bottom
        # Where the piece lies in the stored picture: undo mirrors and transpose.
        if turned:
            x0, y0, x1, y1 = y0, x0, y1, x1
        if self._orientation in (2, 3, 7, 8):
            x0, x1 = wide - x1, wide - x0
        if self._orientation in (3, 4, 6, 7):
            y0, y1 = high - y1, high - y0
        # Thin from the end that becomes the start, so that the same pixels stay.
        take = self._means if mean and every > 1 else self._rows
        rows = list(take(x0, y0, x1, y1, every))
        piece = np.concatenate(rows) if len(rows) > 1 else rows[0]
        if self._orientation in (2, 3, 7, 8):
            piece = piece[:, ::-1]
        if self._orientation in (3, 4, 6, 7):
            piece = piece[::-1]
        return piece.swapaxes(0, 1) if turned else piece

    def _rows(self, x0: int, y0: int, x1: int, y1: int, every: int) -> Iterator[Codes]:
        # A mirrored side is thinned backwards, so that pixels at multiples of `every` from the
        # upright corner are kept.
        back_x = self._orientation in (2, 3, 7, 8)
        back_y = self._orientation in (3, 4, 6, 7)
        skip_x = (x1 - x0 - 1) % every if back_x else 0
        skip_y = (y1 - y0 - 1) % every if back_y else 0
        high = max(1, _ROWS // max(1, x1 - x0) // every) * every
        if every >= 4:
            with decoding():  # single rows: most of what lies between is never touched
                kept = [
                    self._cut(x0, y, x1, y + 1)[:, skip_x::every]
                    for y in range(y0 + skip_y, y1, every)
                ]
            yield np.concatenate(kept)
            return
        for start in range(y0 + skip_y, y1, high):
            with decoding():
                block = self._cut(x0, start, x1, min(start + high, y1))
            yield np.ascontiguousarray(block[::every, skip_x::every])

    def _means(self, x0: int, y0: int, x1: int, y1: int, every: int) -> Iterator[Codes]:
        # Counted from the upright corner, as in `_rows`: the rest is dropped at the other end.
        wide, high = (x1 - x0) // every, (y1 - y0) // every
        left = x1 - wide * every if self._orientation in (2, 3, 7, 8) else x0
        top = y1 - high * every if self._orientation in (3, 4, 6, 7) else y0
        step = max(1, _ROWS // (wide * every * every))
        for row in range(0, high, step):
            count = min(step, high - row)
            with decoding():
                start = top + row * every
                block = self._cut(left, start, left + wide * every, start + count * every)
            # Rows first, in the narrowest numbers that hold the sums: that is fast.
            narrow = np.uint16 if self.bits == 8 and every < 257 else np.uint32
            sums = block.reshape(count, every, -1).sum(axis=1, dtype=narrow)
            sums = sums.reshape(count, wide, every, -1).sum(axis=2, dtype=np.uint64)
            yield ((sums + every * every // 2) // (every * every)).astype(block.dtype)


class decoding:  # noqa: N801  (reads as a statement)
    """Turns errors of the decoders into this library's, and silences their warnings."""

    def __enter__(self) -> None:
        self._quiet = warnings.catch_warnings()
        self._quiet.__enter__()
        warnings.simplefilter("ignore")

    def __exit__(self, kind: object, found: BaseException | None, trace: object) -> None:
        self._quiet.__exit__(None, None, None)
        if found is None or isinstance(found, ShadematchError):
            return
        # Decoders of damaged files raise whatever they stumble over.
        if isinstance(found, Exception):
            raise PhotoError(
                "is damaged or incomplete",
                field="photo",
                remedy="Send or copy the file again, or open and save it in a picture program",
            ) from None
