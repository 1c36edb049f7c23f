"""A batch between two rounds of correction, kept in a file.

A second round knows what the first one learned. What is kept is what was poured, and for every
round what was measured, within which limits something was to be added, what was advised and what
was added; what is believed of the batch follows from that, and is computed anew when the file
is read. The strengths in it are for people to read::

    {"format": "shadematch batch", "version": 1, "library": "...",
     "recipe": {"doses": {...}, "weighed": [{"let_down": {...}, "mass_g": 7.0, "made": 1.0}],
                "pour": {...}}, "view": {...}, "priors": {...},
     "rounds": [{"measured": {...}, "covariance": [...], "target": {...}, "within": 1.0,
                 "limits": {...}, "advice": {...} or null, "proved": true,
                 "made": {...} or null}, ...],
     "strengths": {"gorse": 1.08}, "fingerprint": "....-....-....", "palette": {...}}
"""

from __future__ import annotations

import os
from typing import Annotated, Any, Final

import numpy as np
from pydantic import Field, StrictBool

from shadematch._version import __version__
from shadematch.correction.additions import BaseKind, Sought
from shadematch.correction.belief import Priors
from shadematch.correction.correct import Measured, MostAdded, after, begun, judged
from shadematch.correction.results import Addition, Correction
from shadematch.errors import FileError
from shadematch.keeping.form import (
    Part,
    TargetPart,
    WeighedPart,
    doses_to_dict,
    palette_of,
    recipe_of,
    target_of,
    target_to_dict,
)
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.view import View
from shadematch.support.files import checked_envelope, read_json, write_json
from shadematch.support.models import Number, expect

__all__ = ["load_correction", "save_correction"]

_FORMAT: Final = "shadematch batch"
_VERSION: Final = 1

_Amount = Annotated[Number, Field(ge=0, le=1e7)]
_Row = tuple[Number, Number, Number]
_Share = Annotated[Number, Field(ge=0, le=1)]


class _WeighedPart(WeighedPart):
    made: Annotated[Number, Field(gt=0, le=1e7)] | None = None


class _RecipePart(Part):
    doses: dict[str, _Amount]
    weighed: tuple[_WeighedPart, ...] = ()
    pour: Pour


class _PriorsPart(Part):
    strength: _Share
    white_strength: _Share
    dose_slip: _Amount
    scale_g: _Amount
    model: Annotated[Number, Field(ge=0, le=20)]


class _LimitsPart(Part):
    max_load: Annotated[Number, Field(gt=0, le=1000)]
    pot_g: Annotated[Number, Field(ge=0, le=LARGEST_BATCH_G)]
    bases: tuple[BaseKind, ...]
    base_step_g: Annotated[Number, Field(ge=0.001, le=LARGEST_BATCH_G)]
    must_avoid: tuple[str, ...]


class _AddedPart(Part):
    doses: dict[str, _Amount]
    clear_g: _Amount
    white_g: _Amount


class _RoundPart(Part):
    measured: TargetPart
    covariance: tuple[_Row, _Row, _Row]
    target: TargetPart
    within: Annotated[Number, Field(ge=1e-6, le=100)]
    limits: _LimitsPart
    advice: _AddedPart | None
    proved: StrictBool
    made: _AddedPart | None


class _BatchFile(Part):
    library: str = Field(max_length=100)
    recipe: _RecipePart
    view: View
    priors: _PriorsPart
    rounds: Annotated[tuple[_RoundPart, ...], Field(min_length=1, max_length=100)]
    strengths: dict[str, Number]
    fingerprint: str
    palette: dict[str, Any]


def save_correction(correction: Correction, path: str | os.PathLike[str]) -> None:
    """Keep a batch in a file, so that its next correction knows what this one learned.

    The file is whole at every moment: whoever is killed while saving leaves the old one.

    Parameters
    ----------
    correction
        The last one of the batch.
    path
        The file; one that is there is replaced.

    Raises
    ------
    FileError
        If the place can't be written.
    """
    expect(correction, Correction, "correction", "Give what correct gave")
    first, belief = correction.rounds[0], correction._belief
    recipe, made = doses_to_dict(first.recipe), {d.let_down: d.paste for d in belief.let_downs}
    for entry, part in zip(recipe.get("weighed", ()), first.recipe.weighed, strict=True):
        entry["made"] = made.get(part.let_down)
    content = {
        "format": _FORMAT,
        "version": _VERSION,
        "library": __version__,
        "recipe": {**recipe, "pour": first.recipe.pour.model_dump(mode="json")},
        "view": belief.view.model_dump(mode="json"),
        "priors": {name: float(getattr(belief.priors, name)) for name in _PriorsPart.model_fields},
        "rounds": [_round_to_dict(one, last=one is correction) for one in correction.rounds],
        "strengths": {s.name: round(s.factor, 4) for s in correction.strengths},
        "fingerprint": belief.palette.fingerprint,
        "palette": belief.palette.to_dict(),
    }
    _BatchFile(**checked_envelope(content, _FORMAT, _VERSION))  # nothing that can't be read
    write_json(path, content)


def _round_to_dict(one: Correction, *, last: bool) -> dict[str, Any]:
    additions, names = one._additions, one._belief.palette.names
    made = one.made if last else one.taken
    return {
        "measured": target_to_dict(one.measured),
        "covariance": [[float(v) for v in row] for row in one._covariance],
        "target": target_to_dict(one.target),
        "within": one.within,
        "limits": {
            **{n: float(getattr(additions, n)) for n in ("max_load", "pot_g", "base_step_g")},
            "bases": list(additions.bases),
            "must_avoid": [names[i] for i in additions.excluded],
        },
        "advice": _addition_to_dict(one.smallest),
        "proved": one.proved,
        "made": _addition_to_dict(made),
    }


def _addition_to_dict(addition: Addition | None) -> dict[str, Any] | None:
    if addition is None:
        return None
    masses = {name: float(getattr(addition, name)) for name in ("clear_g", "white_g")}
    return {"doses": dict(addition.doses), **masses}


def load_correction(path: str | os.PathLike[str]) -> Correction:
    """Read what `save_correction` wrote, to go on with `correct`.

    Returns
    -------
    Correction
        The last one, equal to what was saved.

    Raises
    ------
    FileError
        If the file can't be read, is from a newer version, or has an entry that is wrong, which
        is named.
    """
    with read_json(path, kind="batch") as data:
        return _from_file(_BatchFile(**checked_envelope(data, _FORMAT, _VERSION)))


def _from_file(file: _BatchFile) -> Correction:
    palette = palette_of(file.palette, file.fingerprint)
    pour = file.recipe.pour
    recipe = recipe_of(file.recipe.doses, file.recipe.weighed, palette, pour)
    made = {part.let_down: part.made for part in file.recipe.weighed}
    priors = Priors(**file.priors.model_dump())
    belief = begun(recipe, palette, file.view, priors, made.get)
    last: Correction | None = None
    for number, part in enumerate(file.rounds):
        field = f"rounds.{number}"
        if last is not None:
            recipe, belief = after(last)
        covariance = np.array(part.covariance)
        if not np.allclose(covariance, covariance.T) or np.linalg.eigvalsh(covariance)[0] <= 0:
            raise FileError(
                "is no covariance",
                field=f"{field}.covariance",
                value=part.covariance,
                remedy="The file was altered",
            )
        limits = MostAdded(
            *(part.limits.max_load, part.limits.pot_g, part.limits.bases),
            *(part.limits.base_step_g, tuple(palette.index(n) for n in part.limits.must_avoid)),
        )
        asked = Measured(target_of(part.measured), target_of(part.target), covariance, part.within)
        known = _sought(part, palette, pour, f"{field}.advice")
        last = judged(asked, limits, recipe, belief, last, known)
        if part.made is not None:
            last = last.added(part.made.doses, clear_g=part.made.clear_g, white_g=part.made.white_g)
    assert last is not None  # there is at least one round
    return last


def _sought(of: _RoundPart, palette: Palette, pour: Pour, field: str) -> Sought:
    """What the search had found in a round; CIEDE2000 is computed anew."""
    part = of.advice
    if part is None:
        return Sought(None, np.inf, 0.0, of.proved, 0, (0.0, 0.0))
    for name in part.doses:
        palette.index(name)
    counts = np.array([part.doses.get(n, 0.0) / pour.dose_step for n in palette.names])
    steps = np.rint(counts).astype(np.intp)
    if np.abs(steps - counts).max() > 1e-6:
        raise FileError(
            "a dose is no multiple of the dose step",
            field=f"{field}.doses",
            value=part.doses,
            remedy=f"It is {pour.dose_step:g} {palette.unit}",
        )
    return Sought(steps, 0.0, 0.0, of.proved, 0, (part.clear_g, part.white_g))
