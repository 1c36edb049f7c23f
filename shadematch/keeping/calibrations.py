"""Calibrations in files.

A file holds the test pours, the prior, and the most probable spectra and errors; the covariance
follows from these and is recomputed when the file is read.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, cast

import numpy as np
from pydantic import AfterValidator, Field, TypeAdapter

from shadematch.calibration.camera import as_seen, cameras_of, with_cameras
from shadematch.calibration.fit import at_optimum
from shadematch.calibration.forward import BESIDE, Errors
from shadematch.calibration.intervals import with_lots
from shadematch.calibration.problem import Noise, Problem, prior_of
from shadematch.calibration.result import Calibration
from shadematch.calibration.robust import with_both_widths
from shadematch.calibration.spectra import BELIEFS, Unknown
from shadematch.calibration.test_pour import TestPour
from shadematch.errors import FileError
from shadematch.keeping.forms import (
    DosesEntry,
    Entry,
    FromFields,
    PaletteEntry,
    SpectrumEntry,
    entries_of,
    made_from,
    possible,
)
from shadematch.photo.response import Response
from shadematch.studio.covariance import Covariance
from shadematch.studio.target import Target
from shadematch.support.arrays import Triple

__all__ = ["calibration_of", "entries_of_calibration"]

_Positive = Annotated[float, Field(ge=0, le=1e6)]


def _possible(pour: TestPour) -> TestPour:
    if pour.lab is not None:
        view = pour.view
        possible(Target(pour.lab, view.illuminant, view.observer, covariance=pour.covariance))
    return pour


_Pour = Annotated[
    TestPour,
    FromFields(
        doses=DosesEntry,
        lab=Triple | None,
        covariance=Covariance | None,
        response=Annotated[Response, FromFields()] | None,
    ),
    AfterValidator(_possible),
]
_Unknown = Annotated[Unknown, FromFields(mean=SpectrumEntry)]
_Errors = Annotated[Errors, FromFields(**dict.fromkeys(Errors._fields, _Positive))]
_Noise = Annotated[Noise, FromFields(**dict.fromkeys(Noise._fields, _Positive))]


class _CalibrationEntry(Entry):
    fingerprint: str
    films: bool
    contact: Literal["dry", "wet"] | None
    like: PaletteEntry | None
    pigments: Annotated[tuple[str, ...], Field(min_length=1)]
    pours: Annotated[tuple[_Pour, ...], Field(min_length=1)]
    weights: tuple[Annotated[float, Field(ge=0, le=1)], ...]
    slips: tuple[tuple[Annotated[float, Field(ge=-30, le=30)], ...], ...]
    unknowns: Annotated[tuple[_Unknown, ...], Field(min_length=1)]
    found: tuple[SpectrumEntry, ...]
    errors: _Errors
    noise: _Noise
    scale: tuple[_Positive, _Positive]


_FORM: Final = TypeAdapter(_CalibrationEntry)


def entries_of_calibration(calibration: Calibration) -> dict[str, Any]:
    """The entries of a calibration in a file."""
    fit = calibration._fit
    problem = fit.problem
    entry = _CalibrationEntry.model_construct(
        fingerprint="",
        films=calibration.films,
        contact=cast(Literal["dry", "wet"] | None, calibration.contact),
        like=calibration.like,
        pigments=problem.pigments,
        pours=calibration.pours,
        weights=tuple(problem.weights.tolist()),
        slips=tuple(map(tuple, fit.slips.tolist())),
        unknowns=problem.unknowns,
        found=tuple(map(tuple, fit.theta.tolist())),
        errors=problem.errors,
        noise=problem.noise,
        scale=problem.scale,
    )
    content = entries_of(_FORM, entry)
    return {**content, "fingerprint": _print_of(content)}


def _print_of(content: Mapping[str, Any]) -> str:
    text = json.dumps({**content, "fingerprint": ""}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def calibration_of(content: dict[str, Any]) -> Calibration:
    """The calibration that a file holds.

    Raises
    ------
    ShadematchError
        Naming the entry that is wrong, or that was altered.
    """
    file = made_from(_FORM, content)
    _check(file, _print_of(content))
    contact, pours = file.contact, file.pours
    seen = pours
    if contact is not None:
        seen = tuple(
            dataclasses.replace(p, view=p.view.model_copy(update={"contact": contact}))
            for p in pours
        )
    unknowns = tuple(u._replace(mean=np.array(u.mean)) for u in file.unknowns)
    prior, cameras = prior_of(unknowns), cameras_of(pours)
    problem = Problem(
        pours=as_seen(seen, cameras),
        unknowns=unknowns,
        pigments=file.pigments,
        errors=file.errors,
        noise=file.noise,
        weights=np.array(file.weights),
        scale=file.scale,
    )
    found, slips = np.array(file.found), np.array(file.slips)
    fit = with_both_widths(at_optimum(problem, prior, found, slips))
    fit = with_lots(with_cameras(fit, cameras))
    if not all(np.all(np.isfinite(v)) for v in (fit.theta, fit.covariance)):
        remedy = "Calibrate again from the test pours"
        raise FileError("holds no possible spectra", field="unknowns", remedy=remedy)
    return Calibration(
        pours=pours, unit=pours[0].unit, films=file.films, contact=contact, like=file.like, _fit=fit
    )


def _check(file: _CalibrationEntry, fingerprint: str) -> None:
    """Refuse a file whose entries contradict each other."""
    pours, names = file.pours, file.pigments
    counts, columns = (len(file.weights), len(file.slips)), len(names) + BESIDE
    widths = sorted({len(row) for row in file.slips})
    of_pigments = ("pigment", "paste", "film crowding")
    absorbing = {u.of for u in file.unknowns if u.kind == "pigment absorption"}
    checks: list[tuple[str, str, object, bool]] = [
        (
            "does not fit what the file holds",
            "fingerprint",
            file.fingerprint,
            file.fingerprint == fingerprint,
        )
    ]
    for number, pour in enumerate(pours):
        alike = pour.unit == pours[0].unit
        checks.append(
            ("is not the unit of the other pours", f"pours.{number}.unit", pour.unit, alike)
        )
    for u in file.unknowns:
        positive = u.kind != "film crowding" or u.level > 0
        known = not u.kind.startswith(of_pigments) or u.of in names
        checks += [
            (
                f"must be one of {', '.join(BELIEFS)}",
                "unknowns.kind",
                u.kind,
                u.kind in BELIEFS,
            ),
            ("must be above 0", "unknowns.level", u.level, positive),
            ("is not a pigment of the file", "unknowns.of", u.of, known),
        ]
    checks += [
        (
            f"needs one entry for each of {len(pours)} pours",
            "weights, slips",
            counts,
            counts == (len(pours),) * 2,
        ),
        (f"needs {columns} values a row", "slips", widths, widths == [columns]),
        *(("has no absorption in the file", "pigments", n, n in absorbing) for n in names),
        *(("is not listed", "pigments", n, n in names) for pour in pours for n in pour.doses),
    ]
    for problem, field, value, holds in checks:
        if not holds:
            remedy = "The file was altered: calibrate again"
            raise FileError(problem, field=field, value=value, remedy=remedy)
