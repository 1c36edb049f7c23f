"""Calibrations kept in files, whole: test pours, spectra, how sure they are.

The file (JSON, format ``shadematch calibration``) holds the test pours, what was believed, and
the most probable spectra and errors; the covariance follows from these and is computed anew when
it is read. What a new tube taught holds the calibration before it, on which it rests.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Final, Literal

import numpy as np
from pydantic import Field, StrictBool

from shadematch.calibration.camera import as_seen, cameras_of, with_cameras
from shadematch.calibration.fit import at_optimum
from shadematch.calibration.forward import Errors
from shadematch.calibration.lot import prior_of_lot
from shadematch.calibration.problem import Noise, Problem, prior_of
from shadematch.calibration.result import Before, Calibration
from shadematch.calibration.spectra import BELIEFS, Unknown
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import FileError, ShadematchError
from shadematch.photo.response import PATCHES, Response
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.files import checked_envelope, read_json, write_json
from shadematch.support.models import Frozen, Number, expect

__all__ = ["load_calibration", "save_calibration"]

_FORMAT: Final = "shadematch calibration"
_VERSION: Final = 1
_W: Final = WAVELENGTHS_NM.size
_MANY: Final = 20
"""Lots on top of each other that a file may hold."""

_Curve = Annotated[tuple[Number, ...], Field(min_length=_W, max_length=_W)]
_Positive = Annotated[Number, Field(ge=0, le=1e6)]
_Row = tuple[Number, Number, Number]


class _Part(Frozen):
    _error: ClassVar[type[ShadematchError]] = FileError


class _ResponsePart(_Part):
    region: _Row
    covariance: tuple[_Row, _Row, _Row]
    beyond: Annotated[tuple[_Row, ...], Field(max_length=3)]
    patches: Annotated[tuple[_Row | None, ...], Field(min_length=PATCHES, max_length=PATCHES)]


class _PourPart(_Part):
    name: str = Field(min_length=1)
    doses: dict[str, _Positive]
    pour: Pour
    view: View
    spectrum: Annotated[tuple[Number | None, ...], Field(min_length=_W, max_length=_W)] | None
    lab: _Row | None
    covariance: tuple[_Row, _Row, _Row] | None
    response: _ResponsePart | None = None


class _UnknownPart(_Part):
    of: str
    kind: str
    mean: _Curve
    level: Number
    found: _Curve


class _ErrorsPart(_Part):
    dose: _Positive
    dose_share: _Positive
    thickness_share: _Positive
    gain: _Positive


class _NoisePart(_Part):
    share: _Positive
    floor: _Positive
    lab: _Positive
    model_lab: _Positive


class _LotPart(_Part):
    pigment: str
    hue_shift: StrictBool
    calibration: dict[str, Any]


class _File(_Part):
    unit: Literal["cm", "g", "part"]
    films: StrictBool
    contact: Literal["dry", "wet"] | None
    like: dict[str, Any] | None
    pigments: Annotated[tuple[str, ...], Field(min_length=1)]
    pours: Annotated[tuple[_PourPart, ...], Field(min_length=1)]
    weights: tuple[Annotated[Number, Field(ge=0, le=1)], ...]
    slips: tuple[tuple[Annotated[Number, Field(ge=-30, le=30)], ...], ...]
    unknowns: Annotated[tuple[_UnknownPart, ...], Field(min_length=1)]
    errors: _ErrorsPart
    noise: _NoisePart
    scale: tuple[_Positive, _Positive]
    lot: _LotPart | None


def save_calibration(calibration: Calibration, path: str | os.PathLike[str]) -> None:
    """Keep a calibration in a JSON file; the old file stays whole until the new one is.

    Parameters
    ----------
    calibration
        From `calibrate`, or the one in what `new_lot` gives.
    path
        The file; one that is there is replaced.

    Raises
    ------
    FileError
        If the place can't be written.
    """
    expect(calibration, Calibration, "calibration", "Use calibrate(...)")
    content = _to_dict(calibration)
    _from_dict(content)  # nothing is written that can't be read
    write_json(path, content)


def load_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read what `save_calibration` wrote.

    Returns
    -------
    Calibration
        Its predictions and ranges are those of the calibration that was saved.

    Raises
    ------
    FileError
        If the file can't be read, was altered, is from a newer version, or has an entry that is
        wrong, which is named.
    """
    with read_json(path, kind="calibration") as data:
        return _from_dict(data)


def _to_dict(calibration: Calibration) -> dict[str, Any]:
    fit = calibration._fit
    problem, before = fit.problem, calibration._before
    content: dict[str, Any] = {
        "unit": calibration.unit,
        "films": calibration.films,
        "contact": calibration.contact,
        "like": None if calibration.like is None else calibration.like.to_dict(),
        "pigments": list(problem.pigments),
        "pours": [_pour_to_dict(p) for p in calibration.pours],
        "weights": problem.weights.tolist(),
        "slips": fit.slips.tolist(),
        "unknowns": [
            {
                "of": u.of,
                "kind": u.kind,
                "mean": u.mean.tolist(),
                "level": float(u.level),
                "found": found.tolist(),
            }
            for u, found in zip(problem.unknowns, fit.theta, strict=True)
        ],
        "errors": problem.errors._asdict(),
        "noise": problem.noise._asdict(),
        "scale": [float(v) for v in problem.scale],
        "lot": None
        if before is None
        else {
            "pigment": before.pigment,
            "hue_shift": before.hue_shift,
            "calibration": _to_dict(before.calibration),
        },
    }
    return {"format": _FORMAT, "version": _VERSION, "fingerprint": _print_of(content), **content}


def _pour_to_dict(pour: TestPour) -> dict[str, Any]:
    content: dict[str, Any] = {
        "name": pour.name,
        "doses": dict(pour.doses),
        "pour": pour.pour.model_dump(mode="json"),
        "view": pour.view.model_dump(mode="json"),
        "spectrum": None if pour.spectrum is None else list(pour.spectrum),
        "lab": None if pour.lab is None else list(pour.lab),
        "covariance": None if pour.covariance is None else [list(r) for r in pour.covariance],
    }
    seen = pour.response
    if seen is not None:
        content["response"] = {
            "region": list(seen.region),
            "covariance": [list(r) for r in seen.covariance],
            "beyond": [list(r) for r in seen.beyond],
            "patches": [None if v is None else list(v) for v in seen.patches],
        }
    return content


def _print_of(content: Mapping[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _from_dict(data: object, depth: int = 0) -> Calibration:
    rest = checked_envelope(data, _FORMAT, _VERSION)
    stated = rest.pop("fingerprint", None)
    file = _File(**rest)
    if stated != _print_of(rest):
        raise FileError(
            "does not fit what the file holds",
            field="fingerprint",
            value=stated,
            remedy="The file was altered: calibrate again",
        )
    if depth > _MANY:
        raise FileError(
            "too many lots on top of each other", field="lot", value=depth, remedy="Calibrate anew"
        )
    contact = file.contact
    pours = tuple(_pour_of(p, file.unit) for p in file.pours)
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
                "is no kind of spectrum",
                field="unknowns.kind",
                value=u.kind,
                remedy=f"There are {', '.join(BELIEFS)}",
            )
        if u.kind == "film crowding" and u.level <= 0:
            raise FileError(
                "must be above 0",
                field="unknowns.level",
                value=u.level,
                remedy="The file was altered",
            )
        if u.kind.startswith(("pigment", "film crowding")) and u.of not in file.pigments:
            raise FileError(
                "is no pigment of the file",
                field="unknowns.of",
                value=u.of,
                remedy="The file was altered",
            )
    unknowns = tuple(Unknown(u.of, u.kind, np.array(u.mean), u.level) for u in file.unknowns)
    theta = np.array([u.found for u in file.unknowns])
    slips = _slips(file)
    before, prior = _before(file, depth), prior_of(unknowns)
    if before is not None:
        if [(u.of, u.kind) for u in unknowns] != [
            (u.of, u.kind) for u in before.calibration._fit.problem.unknowns
        ]:
            raise FileError(
                "has other spectra than the calibration before",
                field="lot",
                value=before.pigment,
                remedy="The file was altered",
            )
        prior = prior_of_lot(before.calibration, before.pigment, before.hue_shift)
    _check_names(file)
    cameras = cameras_of(pours, () if before is None else before.calibration.pours)
    problem = Problem(
        as_seen(seen, cameras),
        unknowns,
        file.pigments,
        Errors(**file.errors.model_dump()),
        Noise(**file.noise.model_dump()),
        np.array(file.weights),
        file.scale,
    )
    fit = with_cameras(at_optimum(problem, prior, theta, slips), cameras)
    if not all(np.all(np.isfinite(v)) for v in (fit.theta, fit.covariance)):
        raise FileError(
            "holds no possible spectra",
            field="unknowns",
            remedy="Calibrate again from the test pours",
        )
    like = None if file.like is None else Palette.from_dict(file.like)
    return Calibration(pours, file.unit, file.films, contact, like, fit, before)


def _before(file: _File, depth: int) -> Before | None:
    if file.lot is None:
        return None
    old = _from_dict(file.lot.calibration, depth + 1)
    if file.lot.pigment not in old.pigments:
        raise FileError(
            "was not calibrated before",
            field="lot.pigment",
            value=file.lot.pigment,
            remedy="The file was altered",
        )
    return Before(old, file.lot.pigment, file.lot.hue_shift)


def _pour_of(part: _PourPart, unit: Literal["cm", "g", "part"]) -> TestPour:
    seen = part.response
    response = (
        None if seen is None else Response(seen.region, seen.covariance, seen.beyond, seen.patches)
    )
    return TestPour(
        part.doses,
        part.name,
        part.pour,
        part.view,
        unit,
        part.spectrum,
        part.lab,
        part.covariance,
        response,
    )


def _slips(file: _File) -> FloatArray:
    count, columns = len(file.pours), len(file.pigments) + 2
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


def _check_names(file: _File) -> None:
    have = {u.of for u in file.unknowns if u.kind == "pigment absorption"}
    for name in file.pigments:
        if name not in have:
            raise FileError(
                "has no absorption in the file",
                field="pigments",
                value=name,
                remedy="The file was altered",
            )
    for pour in file.pours:
        for name in pour.doses:
            if name not in file.pigments:
                raise FileError(
                    "is poured and not listed",
                    field="pigments",
                    value=name,
                    remedy="The file was altered",
                )
