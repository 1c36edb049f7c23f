"""Many wanted colours as columns; a `Target` is made only when it is needed."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from shadematch.colour.colorimetry import (
    adapt,
    lab_to_xyz,
    srgb_codes,
    xyz_to_lab,
    xyz_to_srgb,
)
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import observation
from shadematch.errors import ColourError, PourError
from shadematch.studio.covariance import Covariance
from shadematch.studio.surface_colours import check_all_real
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple

__all__ = ["Wanted", "pieces_of"]

_PLAIN_LIGHT: Final[tuple[Light, str]] = ("D65", "2")


@dataclass(frozen=True, eq=False)
class Wanted:
    """A piece of a catalogue.

    Attributes
    ----------
    number, first
        Number of the piece, and of its first colour; from 0.
    given
        Targets; or CIELAB, shape (t, 3), under one light.
    light
        Illuminant and observer of that light.
    """

    number: int
    first: int
    given: tuple[Target, ...] | FloatArray
    light: tuple[Light, str] = _PLAIN_LIGHT

    def __len__(self) -> int:
        return len(self.given)

    def labs(self, views: Sequence[View]) -> FloatArray:
        """CIELAB in each view, shape (t, v, 3).

        Raises
        ------
        ColourError
            Naming the row with a colour that no surface can have.
        """
        if isinstance(self.given, tuple):
            return np.array([[each.lab_in(view) for view in views] for each in self.given])
        white = observation(*self.light).white
        xyz = lab_to_xyz(self.given, white)
        check_all_real(xyz, *self.light, self.given, self.first)
        found = []
        for view in views:
            if self.light == (view.illuminant, view.observer):
                found.append(self.given)
            else:
                seen = view.observation.white
                found.append(xyz_to_lab(adapt(xyz, white, seen), seen))
        return np.stack(found, axis=1)

    def target(self, at: int) -> Target:
        """One of the colours as a target."""
        if isinstance(self.given, tuple):
            return self.given[at]
        lab = triple(self.given[at])
        return Target(lab, *self.light, source=_source(*lab))

    def words(self) -> list[str]:
        """Where each came from."""
        if isinstance(self.given, tuple):
            return [str(each) for each in self.given]
        seen = "{}/{} degrees".format(*self.light)
        return [f"{_source(*lab)}, {seen}" for lab in self.given.tolist()]

    def codes(self) -> list[str]:
        """Hex codes."""
        if not isinstance(self.given, tuple):
            white = observation(*self.light).white
            return srgb_codes(xyz_to_srgb(lab_to_xyz(self.given, white), white)[0])
        return [each.hex for each in self.given]

    def covariances(self) -> list[Covariance | None]:
        """How well each is known."""
        if isinstance(self.given, tuple):
            return [each.covariance for each in self.given]
        return [None] * len(self)


def _source(lightness: float, a: float, b: float) -> str:
    return f"Lab ({lightness:g}, {a:g}, {b:g})"


def pieces_of(given: object, view: View, size: int) -> Iterator[Wanted]:
    """A catalogue in pieces of `size` colours; an iterable is read as they are taken.

    Parameters
    ----------
    given
        Targets or hex codes, a data frame with columns L, a, b or hex, or CIELAB in `view`,
        shape (t, 3).

    Raises
    ------
    PourError
        If it is not a list of targets.
    ColourError
        If an array or a frame can't be used; for an iterable, when a wrong target is reached.
    """
    light = view.illuminant, view.observer
    if hasattr(given, "columns") and hasattr(given, "itertuples"):
        given, light = _of_frame(given), _PLAIN_LIGHT
    if isinstance(given, np.ndarray):
        return _cut(_checked(given), light, size)
    try:
        stream = iter(() if isinstance(given, str) else given)  # type: ignore[call-overload]
    except TypeError:
        stream = None
    if stream is None or isinstance(given, str):
        remedy = "For one target use match"
        raise PourError("is not a list of targets", field="targets", value=given, remedy=remedy)
    return _read(stream, size)


def _read(stream: Iterator[HoldsTarget | str], size: int) -> Iterator[Wanted]:
    for number in itertools.count():
        goals = tuple(as_target(each) for each in itertools.islice(stream, size))
        if not goals:
            return
        yield Wanted(number, number * size, goals)


def _cut(labs: FloatArray, light: tuple[Light, str], size: int) -> Iterator[Wanted]:
    for number, first in enumerate(range(0, len(labs), size)):
        yield Wanted(number, first, labs[first : first + size], light)


def _of_frame(frame: Any) -> FloatArray | Iterable[str]:
    """CIELAB or hex codes in a frame."""
    names = {str(column).strip().lower(): column for column in frame.columns}
    if {"l", "a", "b"} <= set(names):
        try:
            return np.asarray(frame[[names[c] for c in "lab"]].to_numpy(dtype=float))
        except (TypeError, ValueError):
            raise ColourError(
                "has columns L, a, b that are not all numbers",
                field="targets",
                remedy="Fill them in, or drop these rows",
            ) from None
    if "hex" in names:
        return list(frame[names["hex"]])
    raise ColourError(
        "has no columns L, a, b and no hex",
        field="targets",
        value=list(map(str, frame.columns)),
        remedy="Spectra, XYZ, lights and covariances: give targets_from_frame(frame)",
    )


def _checked(labs: FloatArray) -> FloatArray:
    numbers = labs.dtype.kind in "fiu"
    if not numbers or labs.ndim != 2 or labs.shape[1] != 3:
        raise ColourError(
            "must be an array of numbers of shape (t, 3)",
            field="targets",
            value=f"shape {labs.shape}, {labs.dtype}",
            remedy="Give L*, a*, b* in rows",
        )
    labs = np.array(labs, dtype=float)  # a copy: the caller may change theirs
    wrong = ~np.isfinite(labs).all(axis=1) | (labs[:, 0] < 0.0) | (labs[:, 0] > 100.0)
    if wrong.any():
        row = int(np.argmax(wrong))
        raise ColourError(
            "must be finite, with L* between 0 and 100",
            field=f"targets, row {row + 1}",
            value=tuple(labs[row].tolist()),
            remedy="Give L*, a*, b* in this order",
        )
    return labs
