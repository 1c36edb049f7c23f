"""What is not known of a palette: strengths and spectra of its pastes and bases.

Everything that is not known is laid to a few independent causes, each a standard normal number z
("modes"). A mode says by how many standard deviations it moves the logarithm of each absorption
and scattering, and the logit of each backing that was learnt along with them: a coefficient c
becomes c exp(z1 m1 + z2 m2 + ...), which stays positive. It also says how far it moves the bend of
each paste and the crowding of white base (`shadematch.studio.bend`). A calibration's covariance, a
strength known to 10 % and what a book of batches leaves open all have this form; so what is shared,
such as an error of the white tile, is told once and counts in all pastes together.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PaletteError, ShadematchError
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import Frozen, Number, is_finite

__all__ = ["Backing", "Mode", "PaletteUncertainty"]

_WIDEST = 10.0
"""Of a logarithm: beyond, exp(z m) leaves what floats hold."""
_ALIKE = 0.7
"""Mean difference of the logits of two backings up to which one stands for the other."""

Moves = tuple[Annotated[Number, Field(ge=-_WIDEST, le=_WIDEST)], ...]
"""Of one spectrum, in standard deviations of its logarithm, 36 values; empty for none."""


class Backing(Frozen):
    """A backing whose reflectance was learnt together with the pastes.

    Attributes
    ----------
    reflectance
        As it is believed to be, 36 values, 0 to 1.
    contact
        As in `View.contact`.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    reflectance: tuple[Annotated[Number, Field(ge=0, le=1)], ...]
    contact: Literal["dry", "wet"]


class Mode(Frozen):
    """One independent cause.

    Attributes
    ----------
    absorption, scattering
        How it moves the logarithm of each paste's, in the palette's order, and of the clear and
        the white base's, which come last; empty where it moves none.
    backings
        How it moves the logit of each backing.
    bends
        How much it adds to the bend of each paste, in the palette's order; empty where to none.
    crowding
        How much it adds to the crowding of white base.
    bases
        How it moves the logarithms of absorption and of scattering of each of the palette's further
        bases, in its order; those that are not listed it doesn't move.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    absorption: tuple[Moves, ...]
    scattering: tuple[Moves, ...]
    backings: tuple[Moves, ...] = ()
    bends: tuple[Annotated[Number, Field(ge=-_WIDEST, le=_WIDEST)], ...] = ()
    crowding: Annotated[Number, Field(ge=-_WIDEST, le=_WIDEST)] = 0.0
    bases: tuple[tuple[Moves, Moves], ...] = ()

    @model_serializer(mode="wrap")
    def _told(self, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return {n: v for n, v in own(self).items() if n != "bases" or v}


class PaletteUncertainty(Frozen):
    """What is not known of a palette, of the bench it is used at, and of the model.

    Attributes
    ----------
    modes
        Independent causes that move spectra.
    backings
        Those that the modes speak of.
    thickness, gain
        Standard deviations of the thickness and of all reflectances together (lamp, white tile),
        as shares, 0 to 0.5.
    model_lab
        Standard deviation of what the model misses, in each of L*, a* and b*, 0 to 100.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    modes: tuple[Mode, ...] = ()
    backings: tuple[Backing, ...] = ()
    thickness: Annotated[Number, Field(ge=0, le=0.5)] = 0.0
    gain: Annotated[Number, Field(ge=0, le=0.5)] = 0.0
    model_lab: Annotated[Number, Field(ge=0, le=100)] = 0.0

    @model_validator(mode="after")
    def _sizes(self) -> Self:
        spectra = len(self.modes[0].absorption) if self.modes else 0
        for i, mode in enumerate(self.modes):
            for field, rows, asked in (
                ("absorption", mode.absorption, spectra),
                ("scattering", mode.scattering, spectra),
                ("backings", mode.backings, len(self.backings)),
                ("bases", [r for both in mode.bases for r in both], 2 * len(mode.bases)),
            ):
                if len(rows) != asked or any(len(r) not in (0, WAVELENGTHS_NM.size) for r in rows):
                    raise PaletteError(
                        f"needs {asked} spectra of {WAVELENGTHS_NM.size} values, or empty ones",
                        field=f"modes.{i}.{field}",
                        value=f"{len(rows)} of {sorted({len(r) for r in rows})} values",
                        remedy="One for each paste, then clear and white base",
                    )
            if len(mode.bends) not in (0, spectra - 2):
                raise PaletteError(
                    f"needs {spectra - 2} values, or none",
                    field=f"modes.{i}.bends",
                    value=f"{len(mode.bends)} values",
                    remedy="One for each paste",
                )
        for i, backing in enumerate(self.backings):
            if len(backing.reflectance) != WAVELENGTHS_NM.size:
                raise PaletteError(
                    f"needs {WAVELENGTHS_NM.size} values",
                    field=f"backings.{i}.reflectance",
                    value=f"{len(backing.reflectance)} values",
                    remedy="One each 10 nm from 380 to 730 nm",
                )
        return self

    @classmethod
    def of_strengths(
        cls, names: Sequence[str], known_to: float | Mapping[str, float]
    ) -> PaletteUncertainty:
        """Pastes whose strengths are known to a share, each by itself.

        Parameters
        ----------
        names
            Of the palette's pastes, in its order.
        known_to
            Relative standard deviation of a strength, 0 to 1: 0.1 is 10 %. One for all pastes,
            or by name.

        Raises
        ------
        PaletteError
            For what can't be one.
        """
        modes = []
        for at, name in enumerate(names):
            share = known_to.get(name, 0.0) if isinstance(known_to, Mapping) else known_to
            if not is_finite(share) or not 0 <= share <= 1:
                raise PaletteError(
                    "must be a number from 0 to 1",
                    field="known_to",
                    value=share,
                    remedy="It is a share: 0.1 is 10 %",
                )
            if share:
                rows: list[Moves] = [()] * (len(names) + 2)
                rows[at] = (float(share),) * WAVELENGTHS_NM.size
                modes.append(Mode(absorption=tuple(rows), scattering=tuple(rows)))
        return cls(modes=tuple(modes))

    def of(self, pigments: Sequence[int]) -> PaletteUncertainty:
        """The same for some of the palette's pastes, by their positions."""

        def chosen(rows: tuple[Moves, ...]) -> tuple[Moves, ...]:
            return (*(rows[i] for i in pigments), *rows[-2:])

        return PaletteUncertainty(
            modes=tuple(
                Mode(
                    absorption=chosen(mode.absorption),
                    scattering=chosen(mode.scattering),
                    backings=mode.backings,
                    bends=tuple(mode.bends[i] for i in pigments) if mode.bends else (),
                    crowding=mode.crowding,
                    bases=mode.bases,
                )
                for mode in self.modes
            ),
            backings=self.backings,
            thickness=self.thickness,
            gain=self.gain,
            model_lab=self.model_lab,
        )

    def in_base(self, at: int) -> PaletteUncertainty:
        """The same with one of the further bases, by its position, in clear base's place."""
        modes = []
        for mode in self.modes:
            own = mode.bases[at] if at < len(mode.bases) else ((), ())
            absorption, scattering = (
                (*rows[:-2], moves, rows[-1])
                for rows, moves in zip((mode.absorption, mode.scattering), own, strict=True)
            )
            changed = {"absorption": absorption, "scattering": scattering, "bases": ()}
            modes.append(mode.model_copy(update=changed))
        said = {name: getattr(self, name) for name in PaletteUncertainty.model_fields}
        return PaletteUncertainty(**{**said, "modes": tuple(modes)})

    def check_speaks_of(self, pigments: int, bases: int) -> None:
        """Refuse to belong to a palette of so many pastes and further bases.

        Raises
        ------
        PaletteError
            Where the modes have other spectra.
        """
        found = len(self.modes[0].absorption) if self.modes else pigments + 2
        if found != pigments + 2:
            raise PaletteError(
                f"needs {pigments + 2} spectra in each mode",
                field="uncertainty",
                value=found,
                remedy="One for each paste, then clear and white base",
            )
        told = max((len(mode.bases) for mode in self.modes), default=0)
        if told > bases:
            raise PaletteError(
                f"needs at most {bases} further bases in each mode",
                field="uncertainty",
                value=told,
                remedy="One for each of the palette's bases, in its order",
            )

    @functools.cached_property
    def absorption(self) -> FloatArray:
        """How modes move logarithms of absorption, shape (K, n + 2, 36)."""
        return self._rows("absorption")

    @functools.cached_property
    def scattering(self) -> FloatArray:
        """The same of scattering."""
        return self._rows("scattering")

    def _rows(self, field: str) -> FloatArray:
        spectra = len(self.modes[0].absorption) if self.modes else 0
        found = np.zeros((len(self.modes), spectra, WAVELENGTHS_NM.size))
        for at, mode in enumerate(self.modes):
            for k, row in enumerate(getattr(mode, field)):
                if row:
                    found[at, k] = row
        found.setflags(write=False)
        return found

    @functools.cached_property
    def bends(self) -> FloatArray:
        """How modes move bends, shape (K, n)."""
        pastes = len(self.modes[0].absorption) - 2 if self.modes else 0
        found = np.zeros((len(self.modes), pastes))
        for row, mode in zip(found, self.modes, strict=True):
            if mode.bends:
                row[:] = mode.bends
        found.setflags(write=False)
        return found

    @functools.cached_property
    def crowding(self) -> FloatArray:
        """How modes move the crowding of white base, shape (K,)."""
        found = np.array([mode.crowding for mode in self.modes])
        found.setflags(write=False)
        return found

    def of_backing(self, view: View) -> FloatArray:
        """How modes move the logit of a view's backing, shape (K, 36); zeros for a strange one."""
        found = np.zeros((len(self.modes), WAVELENGTHS_NM.size))
        if view.through:
            return found
        here = _logit(view.backing_reflectance)
        far = [
            float(np.abs(_logit(np.array(b.reflectance)) - here).mean())
            if b.contact == view.contact
            else np.inf
            for b in self.backings
        ]
        if far and min(far) <= _ALIKE:
            at = int(np.argmin(far))
            for row, mode in zip(found, self.modes, strict=True):
                if mode.backings[at]:
                    row[:] = mode.backings[at]
        return found

    @property
    def _said(self) -> tuple[object, ...]:
        return tuple(getattr(self, name) for name in PaletteUncertainty.model_fields)

    def __eq__(self, other: object) -> bool:
        # Not pydantic's, which looks at the arrays that are kept as well.
        return isinstance(other, PaletteUncertainty) and self._said == other._said

    @functools.cached_property
    def _hash(self) -> int:
        return hash(self._said)

    def __hash__(self) -> int:
        return self._hash


def _logit(reflectance: FloatArray) -> FloatArray:
    inner = np.clip(reflectance, 1e-4, 1.0 - 1e-4)
    return np.asarray(np.log(inner / (1.0 - inner)))
