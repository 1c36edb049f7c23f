"""Assumptions about films: contact with their backings, crowding, and errors.

Films come from elsewhere, and their readings differ in how much they show. With at least `_ENOUGH`
films for each colourant, and amounts that act as in other films, they test each other: the errors
of doses, thicknesses and readings, whether a colourant scatters or crowds, and the effect of the
surface are found from the readings. Otherwise films are *rough*: the misfit of a handful of spectra
would explain anything. Then surfaces are the model's, every colourant scatters, and errors are
those of measured oil films (docs/films.md): 3 % of a white and 9 % of a dark in each value, uniform
in the cube root of the radiance factor; 2 % in level and tilt; 10 % in the effect of an amount.
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
    "FilmKind",
    "amounts_stray",
    "contact_of",
    "crowding_of",
    "enough_films",
    "missed",
    "touching",
]

_ENOUGH: Final = 3.0
"""Number of films for each colourant from which on they test each other."""
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
"""CIEDE2000 between a film over two backings above which it does not hide them."""
_HIDDEN: Final = 10.0
"""Log evidence in favour of opaque films if none was measured over two backings."""
_MISSED: Final = {"clear": 0.05, "opaque": 0.15, "cloudy": 0.25, "crowded": 0.4, "rough": 3.5}
"""What the model is believed to miss of films, at the least, in each of L*, a* and b*: little by
the law of Beer and Lambert, or where one ratio is all that counts; more where scattering is known
not to add up (estimates). Of rough films: set on measured oil films (``python -m tests.bench.films
--folder``), where a mixture strays by 3 to 4 from what masstone and half tint say."""

FilmKind = Literal["clear", "opaque", "cloudy", "crowded", "rough"]


def enough_films(pours: Sequence[TestPour], names: Sequence[str]) -> bool:
    """Whether there are enough films to find their errors from the readings."""
    return len({p.name for p in pours}) >= _ENOUGH * len(names)


def amounts_stray(problem: Problem) -> bool:
    """Whether the effects of amounts differ between films by more than `ROUGH_ERRORS`.

    Judged by the fitted errors of amounts, as far as readings determine them.
    """
    rough = replace(problem, errors=ROUGH_ERRORS, noise=ROUGH_NOISE)
    found = fit(rough, prior_of(rough.unknowns))
    amounts = slice(0, len(rough.pigments))
    told = float((1.0 - found.slip_variance[:, amounts]).sum())
    return float((found.slips[:, amounts] ** 2).sum()) > told


def missed(kind: FilmKind) -> float:
    """Least model error in each of L*, a* and b*."""
    return _MISSED[kind]


def touching(pour: TestPour, contact: str) -> TestPour:
    """The test pour with another contact."""
    return replace(pour, view=pour.view.model_copy(update={"contact": contact}))


def contact_of(
    pours: tuple[TestPour, ...],
    problem_of: Callable[[tuple[TestPour, ...], bool], Problem],
    *,
    may_hide: bool,
) -> str:
    """The contact of layers by the evidence: ``"dry"``, ``"wet"`` or ``"opaque"``.

    `problem_of` makes the problem from pours and from whether films are opaque; `may_hide` says
    whether they may be.
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
        # Nobody measured films over two backings, as is usual with opaque ones.
        evidence["opaque"] += _HIDDEN
    return max(evidence, key=evidence.__getitem__)


def _shows_through(pours: Sequence[TestPour]) -> bool:
    """Whether some film differs over two backings."""
    seen: dict[str, TestPour] = {}
    for p in pours:
        other = seen.setdefault(p.name, p)
        if float(delta_e(np.array(p.lab_seen), np.array(other.lab_seen))) > _SEEN:
            return True
    return False


def crowding_of(pours: Sequence[TestPour], names: Sequence[str]) -> str | None:
    """The colourant mixed with others in at least half of the films, usually the white, or None."""
    found, most = None, max(6, len(pours) // 2) - 1
    for name in names:
        mixed = [p.loads[name] for p in pours if name in p.doses and len(p.doses) > 1]
        if len(mixed) > most and max(mixed) > 1.5 * min(mixed):
            found, most = name, len(mixed)
    return found
