"""From test pours to a palette with its uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from shadematch.calibration.camera import as_seen, cameras_of, with_cameras
from shadematch.calibration.films import (
    FILM_ERRORS,
    ROUGH_ERRORS,
    ROUGH_NOISE,
    FilmKind,
    amounts_stray,
    contact_of,
    crowding_of,
    enough_films,
    missed,
    touching,
)
from shadematch.calibration.fit import Fit, fit
from shadematch.calibration.forward import Errors, backing_key, backing_level
from shadematch.calibration.identify import check_after, check_before
from shadematch.calibration.intervals import with_lots, with_misfit
from shadematch.calibration.problem import Noise, Problem, prior_of
from shadematch.calibration.residual import WRONG
from shadematch.calibration.result import Calibration
from shadematch.calibration.robust import (
    MARGIN,
    Learn,
    choose_scattering,
    settle,
    with_both_widths,
    with_instrument,
)
from shadematch.calibration.spectra import Unknown, unknown
from shadematch.calibration.test_pour import TestPour, check_thickness
from shadematch.errors import PourError, UnknownNameError
from shadematch.studio.named import check_names
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR
from shadematch.studio.unit import UNITS, check_unit
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between, check_progress, expect, listed

__all__ = ["calibrate"]


_ERRORS: Final = {
    "cm": Errors(dose=0.2, base_share=0.1, gain=0.01, tilt=0.01),
    "g": Errors(dose=0.05, dose_share=0.005, base_share=0.1, gain=0.01, tilt=0.01),
    "part": FILM_ERRORS,
}
"""A ruler read to 2 mm; a kitchen scale; films (common practice, no source). Gain and tilt take up
what the model misses of a reading at large; without them bends and crowding would. How large
they are, and how much base differs from bar to bar, is learnt."""


_HIDING: Final = 2000.0
"""Reduced scattering times thickness of an opaque film: next to nothing comes through."""
_ALIKE: Final = 0.3
"""Logit of the reflectance by which cards of one make differ at most."""


def calibrate(
    test_pours: Iterable[TestPour],
    *,
    pigments: Sequence[str] | None = None,
    scattering: Literal["auto", "none", "all"] | Sequence[str] = "auto",
    dose_error: float | None = None,
    noise: Noise | None = None,
    contact: Literal["stated", "auto"] | None = None,
    like: Palette | None = None,
    any_thickness: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Calibration:
    """Learn pigments and bases from measured pours of known doses.

    All spectra are fitted together: absorption and scattering of clear, white and named bases,
    absorption of each pigment, scattering of those that scatter, and small corrections of the
    backings' stated reflectance. Errors of doses, thickness and readings are part of the model. A
    pour that contradicts the others is put aside and named. For the prior see
    `shadematch.calibration.spectra`.

    Pours without any blank and without white base are taken as *films*: colourants in something
    that neither absorbs nor scatters, such as paint or ink measured elsewhere, with loads in any
    unit and a thickness of 1; each colourant may then scatter. The readings decide whether films
    hide their backing; those that do show only ratios of absorption and scattering, and the scale
    of all spectra is arbitrary. If films have blanks, their binder is fitted too; the pours then
    need ``unit="part"``, or the binder is taken for soap. For a colourant in mixtures that are at
    least half of the films, usually the white, the readings decide whether it scatters less at
    high loads (crowding).

    For pours photographed with a chart (`TestPour.from_target`) the camera is learnt from the
    chart in all photos, and replaces the CIE observer; see `shadematch.calibration.camera`.

    Parameters
    ----------
    test_pours
        The pours, all in one unit; kinds of reading may be mixed.
    pigments
        Names and order of the palette; by default in the order of the pours.
    scattering
        ``"auto"``: a pigment scatters only if the readings require it; or ``"none"``,
        ``"all"``, or the names of those that scatter.
    dose_error
        Standard deviation of a dose [pours' unit]; by default 0.2 cm, or 0.05 g and 0.5 %. For
        films it is learnt from the readings, starting from 1 %.
    noise
        Noise of the readings; the fit corrects it by a common factor.
    contact
        ``"stated"``, the default: as the views say; ``"auto"``, the default for films: the
        readings decide whether layers are dry on their backings or in optical contact.
    like
        A palette whose tube sizes and prices are copied for the same names; its unit must be
        that of the pours.
    any_thickness
        Accept bars thinner than 0.2 cm or thicker than 8 cm, which are refused by default in
        case millimetres were meant.
    progress
        Called with a sentence now and then.

    Returns
    -------
    Calibration

    Raises
    ------
    PourError
        If the pours leave something unknown; the message says which pour is missing. Also for
        mixed units (of the pours, or of `like`), or different bars of one name.
    UnknownNameError
        If `pigments` lacks a name, or `scattering` has an unknown one.
    PaletteError
        If the names of two bases can't be told apart.
    """
    pours = _checked(test_pours)
    check_names("bases", [*dict.fromkeys(p.pour.base for p in pours if p.pour.base != CLEAR)])
    expect(any_thickness, bool, "any_thickness", "Give True or False")
    for pour in pours:
        check_thickness(pour, any_thickness)
    check_progress(progress)
    expect(like, (Palette, type(None)), "like", "Give a Palette, such as read('mine.json')")
    if like is not None and pours and pours[0].unit in UNITS:
        check_unit(like.unit, pours[0].unit, "like", of="the pours' doses")
    if contact is not None and (not isinstance(contact, str) or contact not in ("stated", "auto")):
        remedy = "Take 'stated' or 'auto', or leave it out"
        raise PourError("is not a kind of contact", field="contact", value=contact, remedy=remedy)
    if pigments is not None and not isinstance(pigments, str):
        pigments = listed(pigments, "pigments", "Give the names of the pastes")
    if not isinstance(scattering, str):
        scattering = listed(scattering, "scattering", "Give names, or 'auto', 'none', 'all'")
        for name in scattering:
            expect(name, str, "scattering", "Give names, or 'auto', 'none', 'all'")
    names = _names(pours, pigments)
    films = all(p.doses and not p.pour.white and p.pour.base == CLEAR for p in pours)
    check_before(pours, names, films)
    unit = pours[0].unit
    errors = _ERRORS["part" if films else unit]
    if dose_error is not None:
        dose = between(dose_error, "dose_error", 0.0, 1e6, f"In {unit}")
        errors = errors._replace(dose=dose, dose_share=0.0)
    allowed = _allowed(scattering, names)
    noise = None if noise is None else _checked_noise(noise)
    reflected = any(not p.view.through for p in pours)
    rough = films and reflected and not enough_films(pours, names)

    def problem_of(
        seen: tuple[TestPour, ...],
        scatter: frozenset[str],
        opaque: bool = False,
        crowded: str | None = None,
        trust: FloatArray | None = None,
    ) -> Problem:
        weights = np.ones(len(seen)) if trust is None else trust
        unknowns = _unknowns(
            pours=seen,
            weights=weights,
            names=names,
            scatter=scatter,
            films=films,
            rough=rough,
            opaque=opaque,
            crowded=crowded,
        )
        return Problem(
            pours=seen,
            unknowns=unknowns,
            pigments=names,
            errors=ROUGH_ERRORS if rough and dose_error is None else errors,
            noise=noise or (ROUGH_NOISE if rough else Noise()),
            weights=weights,
        )

    cameras = cameras_of(pours)
    read = as_seen(pours, cameras)
    every = frozenset(allowed)

    def found_way() -> str:
        asked = contact == "auto" or (contact is None and (films or unit == "part"))
        if not reflected or not asked:
            return "stated"
        return contact_of(
            read, lambda p, hides: problem_of(p, every, hides), may_hide=films and bool(allowed)
        )

    way = found_way()
    if films and reflected and not rough:
        rough = amounts_stray(problem_of(_seen(read, way), every, way == "opaque"))
        way = found_way() if rough else way
    opaque, seen = way == "opaque", _seen(read, way)
    weights = np.ones(len(pours))
    learn: Learn = "none"
    if films and not rough and dose_error is None:
        learn = "all"
    elif not films and unit in UNITS:
        learn = "soap"
    instrument: tuple[Unknown, ...] = ()
    near: Fit | None = None
    if scattering == "auto" and not films:  # else what it does would be taken for scattering
        first = problem_of(seen, every)
        near = with_instrument(fit(first, prior_of(first.unknowns), brief=True))
        instrument = near.problem.unknowns[len(first.unknowns) :]
    chosen, begin = every, None
    for _ in range(2):

        def problem_with(scatter: frozenset[str], trust: FloatArray = weights) -> Problem:
            plain = problem_of(seen, scatter, opaque, trust=trust)
            return replace(plain, unknowns=(*plain.unknowns, *instrument))

        if scattering == "auto" and not rough:
            chosen, near = choose_scattering(
                names, problem_with, names, progress, near=near, begin=begin
            )
            begin = chosen
        found = settle(problem_with(chosen), near=near, learn=learn, rough=rough)
        if progress is not None:
            progress(f"fitted {len(pours)} readings")
        # A wrong pour may have looked like scattering: choose again without it.
        if np.array_equal(found.problem.weights, weights):
            break
        weights = found.problem.weights
    scattering_ones = [n for n in names if n in chosen]
    crowded = crowding_of(seen, scattering_ones) if films and not rough else None
    if crowded is not None:
        problem = problem_of(seen, chosen, opaque, crowded, found.problem.weights)
        other = settle(problem, learn=learn)
        if other.evidence > found.evidence + MARGIN:
            found = other
    check_after(found)
    if noise is None and (films or unit == "part"):
        kind: FilmKind = "opaque" if opaque else "cloudy" if chosen else "clear"
        if any(u.kind == "film crowding" for u in found.problem.unknowns):
            kind = "crowded"
        own = found.problem.noise._replace(model_lab=missed("rough" if rough else kind))
        found = replace(found, problem=replace(found.problem, noise=own))
    return Calibration(
        pours=pours,
        unit=unit,
        films=films,
        contact=way if way in ("dry", "wet") else None,
        like=like,
        _fit=with_lots(with_cameras(with_both_widths(with_misfit(found)), cameras)),
    )


def _seen(pours: tuple[TestPour, ...], way: str) -> tuple[TestPour, ...]:
    """Pours with the contact that was found, if any."""
    return tuple(touching(p, way) for p in pours) if way in ("dry", "wet") else pours


def _checked(test_pours: Iterable[TestPour]) -> tuple[TestPour, ...]:
    pours = listed(test_pours, "test_pours", "Give a list of TestPour")
    for pour in pours:
        expect(pour, TestPour, "test_pours", "Use TestPour.from_spectrum, from_lab, ...")
    if not pours:
        remedy = "Pour the base and each paste, and measure them"
        raise PourError("there are none", field="test_pours", remedy=remedy)
    units = {p.unit for p in pours}
    if len(units) > 1:
        problem, remedy = "doses are in more than one unit", "Convert all to one"
        raise PourError(problem, field="test_pours", value=sorted(units), remedy=remedy)
    bars: dict[str, TestPour] = {}
    seen: set[TestPour] = set()
    for pour in pours:
        if pour in seen:  # it would count as a second measurement
            problem, remedy = "appears twice, with the same readings", "Leave out the copy"
            raise PourError(problem, field="test_pours", value=pour.name, remedy=remedy)
        seen.add(pour)
        other = bars.setdefault(pour.name, pour)
        if other.doses != pour.doses or other.pour != pour.pour:
            problem, remedy = "two different bars have this name", "Give each bar its own name"
            raise PourError(problem, field="test_pours", value=pour.name, remedy=remedy)
    return pours


def _checked_noise(noise: Noise) -> Noise:
    expect(noise, Noise, "noise", "Use shadematch.calibration.problem.Noise(...)")
    for name, value in noise._asdict().items():
        # Without any noise, readings and model would have to agree exactly.
        least = 1e-6 if name in ("floor", "model_lab") else 0.0
        between(value, f"noise.{name}", least, 1e6, "It is a standard deviation")
    return noise


def _names(pours: Sequence[TestPour], pigments: Sequence[str] | None) -> tuple[str, ...]:
    poured = tuple(dict.fromkeys(name for p in pours for name in p.doses))
    if pigments is None:
        names = poured
    else:
        names = tuple(dict.fromkeys((pigments,) if isinstance(pigments, str) else pigments))
        unlisted = [name for name in poured if name not in names]
        if unlisted:
            problem, remedy = "a pour holds a pigment that is not listed", "List it as well"
            raise UnknownNameError(problem, field="pigments", value=unlisted[0], remedy=remedy)
    if not names:
        remedy = "Pour each pigment in clear base"
        raise PourError("no pour holds any pigment", field="test_pours", remedy=remedy)
    return names


def _allowed(scattering: str | Sequence[str], names: tuple[str, ...]) -> tuple[str, ...]:
    if scattering in ("auto", "all"):
        return names
    if scattering == "none":
        return ()
    given = (scattering,) if isinstance(scattering, str) else tuple(scattering)
    for name in given:
        if name not in names:
            problem, remedy = "no such pigment was poured", "Give 'auto', 'none', 'all' or names"
            raise UnknownNameError(problem, field="scattering", value=name, remedy=remedy)
    return given


def _unknowns(
    pours: Sequence[TestPour],
    weights: FloatArray,
    names: Sequence[str],
    scatter: frozenset[str],
    films: bool,
    rough: bool,
    opaque: bool,
    crowded: str | None,
) -> tuple[Unknown, ...]:
    result = []
    if not films:
        bases = ["clear"] + (["white"] if any(p.pour.white > 0 for p in pours) else [])
        for base in bases:
            # The prior of a base that is not soap is wide.
            kind = "other" if base == "clear" and pours[0].unit == "part" else base
            result += [unknown(base, f"{kind} absorption"), unknown(base, f"{kind} scattering")]
        for base in dict.fromkeys(p.pour.base for p in pours if p.pour.base != CLEAR):
            result += [unknown(base, "base absorption"), unknown(base, "base scattering")]
    for name in names:
        mine = [(p, w) for p, w in zip(pours, weights, strict=True) if name in p.doses]
        mine = [(p, w) for p, w in mine if w >= WRONG] or mine
        amounts = [p.loads[name] * p.pour.thickness_cm for p, _ in mine]
        typical = float(np.exp(np.mean(np.log(amounts))))
        if opaque:  # only ratios count then: any level that hides the backing will do
            typical /= _HIDING
        result.append(unknown(name, "pigment absorption", typical))
        if name in scatter:
            result.append(unknown(name, "pigment scattering", typical))
    if not films and pours[0].unit in UNITS:
        result += [unknown(name, "paste bend") for name in names]
        if "white" in bases:
            result.append(unknown("white", "white crowding"))
    films = films or pours[0].unit == "part"
    kind = "film backing" if films else "backing"
    levels = {backing_key(p.view): backing_level(p.view) for p in pours}
    taken: list[float] = []
    for key in sorted(levels.keys() - {""}):
        # Cards of one make differ alike from their bare reflectance when inside a film.
        if films and any(abs(levels[key] - other) < _ALIKE for other in taken):
            continue
        taken.append(levels[key])
        result.append(unknown(key, kind, level=levels[key]))
    if films:
        if crowded is not None:
            most = max(p.loads.get(crowded, 0.0) for p in pours)
            result.append(unknown(crowded, "film crowding", level=most))
        through = {p.view.through for p in pours}
        if False in through:
            result.append(unknown("surface", "film offset"))
            if not rough:
                result.append(unknown("surface", "film surface"))
        if True in through:
            result.append(unknown("surface", "film glass"))
    return tuple(result)
