"""Calibrations as files hold them, whole: test pours, spectra, how sure they are.

A file holds the test pours, what was believed, and the most probable spectra and errors; the
covariance follows from these and is computed anew when it is read.
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
from shadematch.calibration.spectra import BELIEFS, Unknown
from shadematch.calibration.test_pour import TestPour
from shadematch.errors import FileError
from shadematch.keeping.forms import (
    Curve,
    DosesEntry,
    Entry,
    FromFields,
    PaletteEntry,
    entries_of,
    made_from,
    possible,
)
from shadematch.photo.response import Response
from shadematch.studio.covariance import Covariance
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, Triple

__all__ = ["calibration_of", "entries_of_calibration"]

_ALTERED: Final = "The file was altered"

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
_Unknown = Annotated[Unknown, FromFields(mean=Curve)]
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
    found: tuple[Curve, ...]
    errors: _Errors
    noise: _Noise
    scale: tuple[_Positive, _Positive]


_FORM: Final = TypeAdapter(_CalibrationEntry)


def entries_of_calibration(calibration: Calibration) -> dict[str, Any]:
    """What a file holds of a calibration."""
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
        If it was altered, or naming the entry that is wrong.
    """
    file = made_from(_FORM, content)
    if file.fingerprint != _print_of(content):
        raise FileError(
            "does not fit what the file holds",
            field="fingerprint",
            value=file.fingerprint,
            remedy="The file was altered: calibrate again",
        )
    contact = file.contact
    pours = file.pours
    for number, pour in enumerate(pours):
        if pour.unit != pours[0].unit:
            raise FileError(
                "is not the unit of the other pours",
                field=f"pours.{number}.unit",
                value=pour.unit,
                remedy=_ALTERED,
            )
    seen = (
        pours
        if contact is None
        else tuple(
            dataclasses.replace(p, view=p.view.model_copy(update={"contact": contact}))
            for p in pours
        )
    )
    for u in file.unknowns:
        if u.kind not in BELIEFS:
            raise FileError(
                "is not a kind of spectrum",
                field="unknowns.kind",
                value=u.kind,
                remedy=f"There are {', '.join(BELIEFS)}",
            )
        if u.kind == "film crowding" and u.level <= 0:
            raise FileError(
                "must be above 0",
                field="unknowns.level",
                value=u.level,
                remedy=_ALTERED,
            )
        if u.kind.startswith(("pigment", "paste", "film crowding")) and u.of not in file.pigments:
            raise FileError(
                "is not a pigment of the file",
                field="unknowns.of",
                value=u.of,
                remedy=_ALTERED,
            )
    unknowns = tuple(u._replace(mean=np.array(u.mean)) for u in file.unknowns)
    slips = _slips(file)
    prior = prior_of(unknowns)
    _check_names(file)
    cameras = cameras_of(pours)
    problem = Problem(
        pours=as_seen(seen, cameras),
        unknowns=unknowns,
        pigments=file.pigments,
        errors=file.errors,
        noise=file.noise,
        weights=np.array(file.weights),
        scale=file.scale,
    )
    fit = with_lots(with_cameras(at_optimum(problem, prior, np.array(file.found), slips), cameras))
    if not all(np.all(np.isfinite(v)) for v in (fit.theta, fit.covariance)):
        raise FileError(
            "holds no possible spectra",
            field="unknowns",
            remedy="Calibrate again from the test pours",
        )
    return Calibration(
        pours=pours, unit=pours[0].unit, films=file.films, contact=contact, like=file.like, _fit=fit
    )


def _slips(file: _CalibrationEntry) -> FloatArray:
    count, columns = len(file.pours), len(file.pigments) + BESIDE
    if len(file.weights) != count or len(file.slips) != count:
        raise FileError(
            "needs one entry for each test pour",
            field="weights, slips",
            value=(len(file.weights), len(file.slips)),
            remedy=f"There are {count}",
        )
    if any(len(row) != columns for row in file.slips):
        raise FileError(
            "has rows of a wrong length",
            field="slips",
            value=len(file.slips[0]),
            remedy=f"Each has {columns} values",
        )
    return np.array(file.slips)


def _check_names(file: _CalibrationEntry) -> None:
    have = {u.of for u in file.unknowns if u.kind == "pigment absorption"}
    for name in file.pigments:
        if name not in have:
            raise FileError(
                "has no absorption in the file",
                field="pigments",
                value=name,
                remedy=_ALTERED,
            )
    for pour in file.pours:
        for name in pour.doses:
            if name not in file.pigments:
                raise FileError(
                    "is poured and not listed",
                    field="pigments",
                    value=name,
                    remedy=_ALTERED,
                )
