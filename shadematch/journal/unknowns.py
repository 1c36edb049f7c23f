"""The unknowns: spectra, the strength of each tube, and the bias of instruments.

They form one Gaussian. The spectra, those of bases and backings included, have the priors of
`shadematch.calibration.spectra`, so nothing has to be poured first: what was not measured is
uncertain. A paste's spectrum is that of its mean tube; each tube differs by a strength [natural
log]. The bias of an instrument, common to all its readings, is a shift of L*, a* and b* and a
fraction of chroma.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np

from shadematch.calibration.forward import backing_key, backing_level
from shadematch.calibration.spectra import (
    BELIEFS,
    BEND_SHARED_SD,
    SpectrumPrior,
    Unknown,
    belief_covariance,
    further_bases,
    unknown,
)
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR
from shadematch.studio.uncertainty import PaletteUncertainty
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "BIAS",
    "TUBES",
    "Believed",
    "Instrument",
    "Layout",
    "Means",
    "Tube",
    "before_any_bar",
    "grown",
]

_W: Final = WAVELENGTHS_NM.size
_TYPICAL: Final = 1.5
"""Load times thickness [unit per 100 g, cm] at which an unknown paste is expected to absorb a good
part of the light."""
_GUESSED: Final = SpectrumPrior(0.6, 0.0, 0.8, 50.0)
"""Prior of a paste in a palette without uncertainty (estimate)."""
_LEFT_OUT: Final = SpectrumPrior(0.05, 0.0, 0.1, 60.0)
"""Uncertainty that the modes of a palette leave out (estimate)."""
TUBES: Final = 0.10
"""Standard deviation of the strength of tubes [natural log] (common practice, no source)."""
_LEAST: Final = 0.003
"""Lowest absorption or scattering [1/cm] of a guessed spectrum."""

Means = Literal["colorimeter", "phone"]

BIAS: Final[dict[Means, tuple[float, float, float, float]]] = {
    "colorimeter": (0.2, 0.2, 0.2, 0.005),
    "phone": (1.8, 1.5, 1.8, 0.05),
}
"""Standard deviations of the bias of an instrument: of L*, a*, b*, and of chroma as a fraction
(estimates)."""


class Tube(NamedTuple):
    """One tube: its paste, and its number, from 0."""

    paste: str
    serial: int


class Instrument(NamedTuple):
    """What colours are read with: its kind and name."""

    means: Means
    name: str


@dataclass(frozen=True)
class Layout:
    """The meaning of each number of the belief.

    K spectra (`unknowns`), 36 numbers each, then one number for each tube, then four for each
    instrument.
    """

    pastes: tuple[str, ...]
    unknowns: tuple[Unknown, ...]
    tubes: tuple[Tube, ...] = ()
    instruments: tuple[Instrument, ...] = ()

    @property
    def spectra(self) -> int:
        """Count of numbers of the spectra."""
        return len(self.unknowns) * _W

    @property
    def size(self) -> int:
        """Count of all numbers."""
        return self.spectra + len(self.tubes) + 4 * len(self.instruments)

    @functools.cached_property
    def of_paste(self) -> dict[str, tuple[int, ...]]:
        """Positions of each paste's spectra among the unknowns."""
        return {
            paste: tuple(
                k
                for k, u in enumerate(self.unknowns)
                if u.of == paste and u.kind.startswith("pigment")
            )
            for paste in self.pastes
        }

    @functools.cached_property
    def of_bases(self) -> IntArray:
        """Where the spectra of all bases are."""
        rows = [k for k, u in enumerate(self.unknowns) if u.of_base and not u.number]
        return np.concatenate([np.arange(k * _W, (k + 1) * _W) for k in rows])

    def at_tube(self, tube: Tube) -> int:
        """Position of the strength of a tube."""
        return self.spectra + self.tubes.index(tube)

    def at_instrument(self, instrument: Instrument) -> slice:
        """Positions of the four numbers of an instrument."""
        first = self.spectra + len(self.tubes) + 4 * self.instruments.index(instrument)
        return slice(first, first + 4)


@dataclass(frozen=True)
class Believed:
    """A Gaussian: mean and covariance of all that a layout lists."""

    layout: Layout
    mean: FloatArray
    covariance: FloatArray


def before_any_bar(
    pastes: Sequence[str], scattering: Sequence[str], palette: Palette | None = None
) -> Believed:
    """The belief before any bar.

    Parameters
    ----------
    pastes
        Names of the pastes.
    scattering
        Those that scatter, besides those that scatter in the palette.
    palette
        The palette to start from, with its own uncertainty (`known_to`, a calibration's), or as
        a guess.
    """
    scatter = set(scattering)
    if palette is not None:
        scatter |= {p.name for p in palette.pigments if p.scatters}
    unknowns = [
        unknown(base, f"{base} {what}")
        for base in ("clear", "white")
        for what in ("absorption", "scattering")
    ]
    for paste in pastes:
        unknowns.append(unknown(paste, "pigment absorption", _TYPICAL))
        if paste in scatter:
            unknowns.append(unknown(paste, "pigment scattering", _TYPICAL))
    unknowns += [unknown(paste, "paste bend") for paste in pastes]
    unknowns.append(unknown("white", "white crowding"))
    for base in () if palette is None else palette.bases:
        unknowns += _of_base(base.name)
    layout = Layout(tuple(pastes), tuple(unknowns))
    size = len(unknowns) * _W
    mean = np.concatenate([u.mean for u in unknowns])
    covariance = np.zeros((size, size))
    for k, u in enumerate(unknowns):
        rows = slice(k * _W, (k + 1) * _W)
        given = None if palette is None else _in_palette(palette, u)
        guessed = given is not None and not u.of_base and not u.number
        covariance[rows, rows] = belief_covariance(_GUESSED if guessed else BELIEFS[u.kind])
        if given is not None:
            mean[rows] = given if u.number else np.log(np.maximum(given, _LEAST))
    bends = [k for k, u in enumerate(unknowns) if u.what == "bend"]
    for k, j in itertools.permutations(bends, 2):
        covariance[k * _W : (k + 1) * _W, j * _W : (j + 1) * _W] = BEND_SHARED_SD**2
    if palette is not None and palette.uncertainty is not None and palette.uncertainty.modes:
        covariance = _of_modes(palette, palette.uncertainty, layout, covariance)
        return _of_first_tubes(Believed(layout, mean, covariance))
    return Believed(layout, mean, covariance)


def _of_first_tubes(belief: Believed) -> Believed:
    """The belief about the mean tubes, given one about the first tube of each paste."""
    old, size = belief.layout, belief.layout.spectra
    new = replace(old, tubes=tuple(Tube(paste, 0) for paste in old.pastes))
    covariance = np.zeros((new.size, new.size))
    covariance[:size, :size] = belief.covariance
    for tube in new.tubes:
        at, variance = new.at_tube(tube), TUBES**2
        covariance[at, at] = variance
        for k in new.of_paste[tube.paste]:
            rows = slice(k * _W, (k + 1) * _W)
            covariance[rows, at] = covariance[at, rows] = -variance
            for j in new.of_paste[tube.paste]:
                covariance[rows, j * _W : (j + 1) * _W] += variance
    return Believed(new, np.append(belief.mean, np.zeros(len(new.tubes))), covariance)


def _in_palette(palette: Palette, u: Unknown) -> FloatArray | None:
    """A spectrum or number in a palette, or None."""
    if u.of_base:
        own = palette.white if u.of == "white" else palette.base(u.of)
        return np.array(getattr(own, u.what))
    if u.of not in palette.names:
        return None
    values = getattr(palette[u.of], u.what)
    return None if values is None else np.array(values)


def _of_modes(
    palette: Palette, known: PaletteUncertainty, layout: Layout, otherwise: FloatArray
) -> FloatArray:
    """The covariance that a palette states, with a little for what its modes leave out."""
    moves = np.zeros((len(known.modes), len(layout.unknowns), _W))
    said = np.zeros(len(layout.unknowns), dtype=bool)
    for k, u in enumerate(layout.unknowns):
        if u.kind.startswith("base"):
            at = palette.base_names.index(u.of) - 1
            for row, mode in zip(moves[:, k], known.modes, strict=True):
                told = mode.bases[at : at + 1]
                row[:] = (told[0][u.what == "scattering"] or 0.0) if told else 0.0
            said[k] = bool(moves[:, k].any())
            continue
        if u.of_base:
            at = len(palette.names) + ("clear", "white").index(u.of)
        elif u.of in palette.names:
            at = palette.index(u.of)
        else:
            continue
        rows = {
            "absorption": known.absorption,
            "scattering": known.scattering,
            "bend": known.bends[..., None],
            "crowding": known.crowding[:, None, None],
        }[u.what][:, 0 if u.what == "crowding" else at]
        said[k] = bool(rows.any())
        moves[:, k] = rows
    flat = moves.reshape(len(known.modes), -1)
    covariance = np.asarray(flat.T @ flat)
    rest = belief_covariance(_LEFT_OUT)
    for k, u in enumerate(layout.unknowns):
        own = slice(k * _W, (k + 1) * _W)
        if not said[k]:
            covariance[own, own] += otherwise[own, own]
        elif not u.number:
            covariance[own, own] += rest
    return covariance


def _of_base(name: str) -> list[Unknown]:
    """What is not known of a further base."""
    return [unknown(name, "base absorption"), unknown(name, "base scattering")]


def grown(
    belief: Believed,
    *,
    views: Iterable[View] = (),
    bases: Iterable[str] = (),
    tubes: Iterable[Tube] = (),
    instruments: Iterable[Instrument] = (),
    tube_sd: float,
) -> Believed:
    """The belief extended by new backings (of views), bases, tubes and instruments.

    A new base is believed to be clear base, with much left open. `tube_sd` is the standard
    deviation of a new tube's strength [natural log].
    """
    old = belief.layout
    have = {u.of for u in old.unknowns if u.what == "backing"}
    backings = []
    for view in views:
        key = backing_key(view)
        if key and key not in have:
            have.add(key)
            backings.append(unknown(key, "backing", level=backing_level(view)))
    own = {CLEAR, *further_bases(old.unknowns)}
    further = [u for base in dict.fromkeys(bases) if base not in own for u in _of_base(base)]
    more = [t for t in dict.fromkeys(tubes) if t not in old.tubes]
    strange = [i for i in dict.fromkeys(instruments) if i not in old.instruments]
    if not (backings or further or more or strange):
        return belief
    new = replace(
        old,
        unknowns=(*old.unknowns, *backings, *further),
        tubes=(*old.tubes, *more),
        instruments=(*old.instruments, *strange),
    )
    mean, covariance = np.zeros(new.size), np.zeros((new.size, new.size))
    places = np.concatenate(
        [
            np.arange(old.spectra),
            new.spectra + np.arange(len(old.tubes)),
            new.spectra + len(new.tubes) + np.arange(4 * len(old.instruments)),
        ]
    )
    mean[places] = belief.mean
    covariance[np.ix_(places, places)] = belief.covariance
    for k, u in enumerate(new.unknowns[len(old.unknowns) :], len(old.unknowns)):
        rows = slice(k * _W, (k + 1) * _W)
        mean[rows], covariance[rows, rows] = u.mean, belief_covariance(BELIEFS[u.kind])
        if u.of_base:
            clear = [each.kind for each in old.unknowns].index(f"clear {u.what}")
            like = slice(clear * _W, (clear + 1) * _W)
            mean[rows] = mean[like]
            covariance[rows] += covariance[like]
            covariance[:, rows] += covariance[:, like]
    for tube in more:
        at = new.at_tube(tube)
        covariance[at, at] = tube_sd**2
    for instrument in strange:
        at_ = new.at_instrument(instrument)
        covariance[at_, at_] = np.diag(np.square(BIAS[instrument.means]))
    return Believed(new, mean, covariance)
