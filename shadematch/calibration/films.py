"""What is believed of films: how they touch their backings, what crowds, and how wrong they are.

Films come from elsewhere, and differ in what their readings tell. Where at least `_ENOUGH` films
were measured for each colourant, and amounts do what they did in other films, they test each
other: how exact doses, thicknesses and readings are, whether a colourant scatters or crowds, and
what the surface does are found from the readings. Else films are *rough*: any of it would be found
in the misfit of a handful of spectra. Then surfaces are the model's, every colourant scatters, and
errors are what they were on measured oil films (docs/films.md): 3 % of a white and 9 % of a dark in
each value, even in the cube root of the radiance factor as the eye has it; 2 % in level and tilt;
10 % in what an amount does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from shadematch.calibration.fit import fit
from shadematch.calibration.forward import Errors, backing_key
from shadematch.calibration.problem import Noise, Problem, prior_of
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.difference import delta_e

__all__ = [
    "FILM_ERRORS",
    "MOST_WRONG",
    "MOST_WRONG_OF_SOAP",
    "ROUGH_ERRORS",
    "ROUGH_NOISE",
    "Kind",
    "amounts_stray",
    "contact_of",
    "crowding_of",
    "enough_films",
    "missed",
    "touching",
]

_ENOUGH: Final = 3.0
"""Films for each colourant from which on they test each other."""
FILM_ERRORS: Final = Errors(dose=0.0, dose_share=0.01, thickness_share=0.02)
"""Shares weighed in a laboratory, and films drawn there (common practice, no source); where there
are enough films, only where it begins."""
MOST_WRONG: Final = (10.0, 5.0, 0.0, 3.0)
"""Times as wrong as stated that doses, thickness, base and gain may be found to be; 0 for what is
not learnt. Where the model misses something, a gain without limit takes it up, and all predictions
drift to one side."""
MOST_WRONG_OF_SOAP: Final = (0.0, 0.0, 5.0, 1.0)
"""The same of soap: what strays farther than level and tilt are stated is the model's fault."""
ROUGH_ERRORS: Final = Errors(dose=0.0, dose_share=0.1, thickness_share=0.05, gain=0.02, tilt=0.02)
"""Of rough films: what an amount does in company, how films are drawn, and how they are read."""
ROUGH_NOISE: Final = Noise(share=0.0, even=0.01)
"""Of their readings; see the room."""
_SEEN: Final = 2.0
"""CIEDE2000 between a film over two backings from which on it does not hide them."""
_HIDDEN: Final = 10.0
"""Log evidence in favour of opaque films where none was measured over two backings."""
_MISSED: Final = {"clear": 0.05, "opaque": 0.15, "cloudy": 0.25, "crowded": 0.4, "rough": 3.5}
"""What the model is believed to miss of films, at the least, in each of L*, a* and b*: little by
the law of Beer and Lambert, or where one ratio is all that counts; more where scattering is known
not to add up (estimates). Of rough films: set on measured oil films (``python -m tests.bench.films
--folder``), where a mixture strays by 3 to 4 from what masstone and half tint say."""

Kind = Literal["clear", "opaque", "cloudy", "crowded", "rough"]


def enough_films(pours: Sequence[TestPour], names: Sequence[str]) -> bool:
    """Whether there are enough films to find from them how exact they are."""
    return len({p.name for p in pours}) >= _ENOUGH * len(names)


def amounts_stray(problem: Problem) -> bool:
    """Whether amounts do more than `ROUGH_ERRORS` more or less than in other films.

    By the errors of amounts that a fit finds, as far as readings tell them.
    """
    rough = replace(problem, errors=ROUGH_ERRORS, noise=ROUGH_NOISE)
    found = fit(rough, prior_of(rough.unknowns))
    amounts = slice(0, len(rough.pigments))
    told = float((1.0 - found.slip_variance[:, amounts]).sum())
    return float((found.slips[:, amounts] ** 2).sum()) > told


def missed(kind: Kind) -> float:
    """What the model is believed to miss in each of L*, a* and b*, at the least."""
    return _MISSED[kind]


def touching(pour: TestPour, contact: str) -> TestPour:
    """The same reading, its layer touching the backing so."""
    return replace(pour, view=pour.view.model_copy(update={"contact": contact}))


def contact_of(
    pours: tuple[TestPour, ...],
    problem_of: Callable[[tuple[TestPour, ...], bool], Problem],
    *,
    may_hide: bool,
) -> str:
    """How layers touch their backings, or whether they hide them, by the evidence.

    Parameters
    ----------
    pours
        The readings.
    problem_of
        The problem of readings, and whether films are opaque.
    may_hide
        Whether they may: films of colourants that scatter.

    Returns
    -------
    str
        ``"dry"``, ``"wet"`` or ``"opaque"``.
    """
    evidence = {}
    may_hide = may_hide and not _shows_through(pours)
    for way in ("dry", "wet", "opaque")[: 3 if may_hide else 2]:
        opaque = way == "opaque"
        seen = pours if opaque else tuple(touching(p, way) for p in pours)
        problem = problem_of(seen, opaque)
        evidence[way] = fit(problem, prior_of(problem.unknowns)).evidence
    once = len({(p.name, backing_key(p.view)) for p in pours}) == len({p.name for p in pours})
    if may_hide and once:
        # Nobody looked what a film shows over another backing: as one does with opaque ones.
        evidence["opaque"] += _HIDDEN
    return max(evidence, key=evidence.__getitem__)


def _shows_through(pours: Sequence[TestPour]) -> bool:
    """Whether some film was seen to differ over two backings."""
    seen: dict[str, TestPour] = {}
    for p in pours:
        other = seen.setdefault(p.name, p)
        if float(delta_e(np.array(p.lab_seen), np.array(other.lab_seen))) > _SEEN:
            return True
    return False


def crowding_of(pours: Sequence[TestPour], names: Sequence[str]) -> str | None:
    """The colourant whose crowding readings may tell: with others in at least half of them.

    That is the white of most sets, in tints of all else.
    """
    found, most = None, max(6, len(pours) // 2) - 1
    for name in names:
        mixed = [p.loads[name] for p in pours if name in p.doses and len(p.doses) > 1]
        if len(mixed) > most and max(mixed) > 1.5 * min(mixed):
            found, most = name, len(mixed)
    return found
