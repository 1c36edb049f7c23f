"""How well a palette is known: strengths and spectra of its pastes and bases.

All uncertainty comes from a few independent causes ("modes"), each a standard normal number z. A
mode moves the logarithm of each absorption and scattering, and the logit of each backing learnt
with them: a coefficient c becomes c exp(z1 m1 + z2 m2 + ...), which stays positive. It also moves
the bend of each paste and the crowding of white base (`shadematch.studio.bend`), linearly. A
calibration's covariance, a strength known to 10 % and what a journal has learnt all take this form.
A shared error, such as that of the white tile, is one mode and moves all pastes together.
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
from shadematch.support.models import Frozen, Number, between

__all__ = ["Backing", "Mode", "PaletteUncertainty"]

_WIDEST = 10.0
"""Of a logarithm; beyond, exp(z m) overflows."""
_ALIKE = 0.7
"""Mean difference in logits up to which two backings count as the same."""

Moves = tuple[Annotated[Number, Field(ge=-_WIDEST, le=_WIDEST)], ...]
"""Of one spectrum: how far one standard deviation moves its logarithm, 36 values or none."""
_NONE = (0.0,) * WAVELENGTHS_NM.size


class Backing(Frozen):
    """A backing whose reflectance was learnt with the pastes.

    Attributes
    ----------
    reflectance
        Its estimate, 36 values, 0 to 1.
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
        Moves of the logarithm for each paste in palette order, then clear and white base; empty
        for what it doesn't move.
    backings
        Moves of the logit of each backing.
    bends
        Moves of the bend of each paste, in palette order; empty for none.
    crowding
        Move of the crowding of white base.
    bases
        Moves of the logarithms of absorption and of scattering of each further base, in palette
        order; those not listed it doesn't move.
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
    """How well a palette, its bench and the model are known.

    Attributes
    ----------
    modes
        Independent causes that move spectra.
    backings
        The backings that the modes move.
    thickness, gain
        Relative standard deviations of the thickness, and of all reflectances together (lamp,
        white tile), 0 to 0.5.
    model_lab
        Standard deviation of the model's error in each of L*, a* and b*, 0 to 100.
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
        """Pastes whose strengths are known to a share, independently.

        `known_to` is the relative standard deviation of a strength, 0 to 1, for all `names` or by
        name; anything else is a `PaletteError`.
        """
        modes = []
        for at, name in enumerate(names):
            share = known_to.get(name, 0.0) if isinstance(known_to, Mapping) else known_to
            between(share, "known_to", 0, 1, "It is a share: 0.1 is 10 %", error=PaletteError)
            if share:
                rows: list[Moves] = [()] * (len(names) + 2)
                rows[at] = (float(share),) * WAVELENGTHS_NM.size
                modes.append(Mode(absorption=tuple(rows), scattering=tuple(rows)))
        return cls(modes=tuple(modes))

    def of(self, pigments: Sequence[int]) -> PaletteUncertainty:
        """The same for some of the palette's pastes, by position."""

        def chosen(rows: tuple[Moves, ...]) -> tuple[Moves, ...]:
            return (*(rows[i] for i in pigments), *rows[-2:])

        modes = tuple(
            mode.model_copy(
                update={
                    "absorption": chosen(mode.absorption),
                    "scattering": chosen(mode.scattering),
                    "bends": tuple(mode.bends[i] for i in pigments) if mode.bends else (),
                }
            )
            for mode in self.modes
        )
        return PaletteUncertainty(
            modes=modes,
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

    def learned(
        self, mean: FloatArray, root: FloatArray, strengths: FloatArray
    ) -> PaletteUncertainty:
        """What is left after something was learned, around spectra moved by the modes' mean.

        Parameters
        ----------
        mean
            Of the modes, shape (K,).
        root, strengths
            How each of J new modes moves the old ones, shape (K, J), and the logarithms of the
            strengths of pastes and white base besides, shape (n + 1, J).
        """
        turned = [
            np.einsum("kj,kpw->jpw", root, rows)
            for rows in (self.absorption, self.scattering, self._moves_of_backings, self.further)
        ]
        pastes = strengths[:-1].T[:, :, None]
        turned[0][:, :-2] += pastes
        turned[1][:, :-2] += pastes
        turned[1][:, -1] += strengths[-1][:, None]
        bends, crowding = root.T @ self.bends, root.T @ self.crowding
        modes = []
        for at, rows in enumerate(zip(*turned, strict=True)):
            absorption, scattering, of_backings, further = (
                tuple(map(tuple, each.tolist())) for each in rows
            )
            modes.append(
                Mode(
                    absorption=absorption,
                    scattering=scattering,
                    backings=of_backings,
                    bends=tuple(bends[at].tolist()),
                    crowding=float(crowding[at]),
                    bases=tuple(zip(further[::2], further[1::2], strict=True)),
                )
            )
        seen = [
            _logit(np.array(backing.reflectance)) + mean @ self._moves_of_backings[:, at]
            for at, backing in enumerate(self.backings)
        ]
        backings = tuple(
            backing.model_copy(update={"reflectance": tuple((1 / (1 + np.exp(-r))).tolist())})
            for backing, r in zip(self.backings, seen, strict=True)
        )
        said = {name: getattr(self, name) for name in PaletteUncertainty.model_fields}
        return PaletteUncertainty(**{**said, "modes": tuple(modes), "backings": backings})

    def check_speaks_of(self, pigments: int, bases: int) -> None:
        """Refuse modes that don't fit so many pastes and further bases, with a `PaletteError`."""
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
        """Moves of the logarithms of absorption, shape (K, n + 2, 36)."""
        return self._rows("absorption")

    @functools.cached_property
    def scattering(self) -> FloatArray:
        """Moves of the logarithms of scattering, shape (K, n + 2, 36)."""
        return self._rows("scattering")

    @functools.cached_property
    def further(self) -> FloatArray:
        """Moves of further bases, absorption and scattering in turn, shape (K, 2 b, 36)."""
        most = max((len(mode.bases) for mode in self.modes), default=0)
        rows = [
            [row or _NONE for both in mode.bases for row in both]
            + [_NONE] * (2 * (most - len(mode.bases)))
            for mode in self.modes
        ]
        return _read_only(rows, len(self.modes), 2 * most, WAVELENGTHS_NM.size)

    @property
    def _moves_of_backings(self) -> FloatArray:
        rows = [[row or _NONE for row in mode.backings] for mode in self.modes]
        return _read_only(rows, len(self.modes), len(self.backings), WAVELENGTHS_NM.size)

    def _rows(self, field: str) -> FloatArray:
        spectra = len(self.modes[0].absorption) if self.modes else 0
        rows = [[row or _NONE for row in getattr(mode, field)] for mode in self.modes]
        return _read_only(rows, len(self.modes), spectra, WAVELENGTHS_NM.size)

    @functools.cached_property
    def bends(self) -> FloatArray:
        """Moves of the bends, shape (K, n)."""
        pastes = len(self.modes[0].absorption) - 2 if self.modes else 0
        rows = [mode.bends or (0.0,) * pastes for mode in self.modes]
        return _read_only(rows, len(self.modes), pastes)

    @functools.cached_property
    def crowding(self) -> FloatArray:
        """Moves of the crowding of white base, shape (K,)."""
        return _read_only([mode.crowding for mode in self.modes], len(self.modes))

    def of_backing(self, view: View) -> FloatArray:
        """Moves of the logit of a view's backing, shape (K, 36); zeros for an unknown one."""
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
            rows = [mode.backings[at] or _NONE for mode in self.modes]
            return _read_only(rows, *found.shape)
        return found

    @property
    def _said(self) -> tuple[object, ...]:
        return tuple(getattr(self, name) for name in PaletteUncertainty.model_fields)

    def __eq__(self, other: object) -> bool:
        # Pydantic's own would compare the cached arrays as well.
        return isinstance(other, PaletteUncertainty) and self._said == other._said

    @functools.cached_property
    def _hash(self) -> int:
        return hash(self._said)

    def __hash__(self) -> int:
        return self._hash


def _read_only(rows: Sequence[object], *shape: int) -> FloatArray:
    found = np.array(rows, dtype=float).reshape(shape)
    found.setflags(write=False)
    return found


def _logit(reflectance: FloatArray) -> FloatArray:
    inner = np.clip(reflectance, 1e-4, 1.0 - 1e-4)
    return np.asarray(np.log(inner / (1.0 - inner)))
