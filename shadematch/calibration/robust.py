"""Which pours are wrong, which pigments scatter, and how noisy the readings are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from shadematch.calibration.films import MOST_WRONG, MOST_WRONG_OF_SOAP
from shadematch.calibration.fit import Fit, fit
from shadematch.calibration.forward import Errors
from shadematch.calibration.identify import shared_scale
from shadematch.calibration.problem import Problem, prior_of
from shadematch.calibration.spectra import SLIGHT, Unknown, unknown
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "MARGIN",
    "SUSPICIOUS",
    "Learn",
    "choose_scattering",
    "needed",
    "settle",
    "with_both_widths",
    "with_instrument",
]

_BELIEVED: Final = 10.0
"""Number of measured values that the prior on the noise is worth."""
_IMPROBABLE: Final = 1e-6
"""A bar is wrong if its reading is less probable than this given the others ..."""
_FAR: Final = 10.0
"""... and its misfit is this many times the usual one: less may be the model's fault."""
SUSPICIOUS: Final = 3.0
"""Misfit above which a fit without the bar is tried."""
_LEAST_WEIGHT: Final = 1e-8
_CERTAIN: Final = 0.1
"""Standard deviation of the level of scattering [natural log] below which it is certain."""
_HARMLESS: Final = 1.0
"""CIEDE2000 between a bar's reading and the others' prediction up to which it is kept: it may be
the model's fault, and does little harm."""
_HARMLESS_IF_ROUGH: Final = 10.0
"""The same for rough films, which are that far off now and then."""
_DOUBTED: Final = 5.0
"""Factor on the noise of readings in a second start, so that it doesn't run into a wrong optimum
(a graduated fit: A. Blake, A. Zisserman, *Visual Reconstruction* (1987), ch. 1)."""
_FIRM: Final = 5.0
"""Number of errors that the prior on errors of the bench is worth."""
_LOOSE: Final = 1.0
"""The same for soap."""
_LIKELIER: Final = 1.0
"""Least gain of log evidence for gloss, light lost at the edge, or a wide prior on numbers."""
_NUMBERS: Final = ("crowding", "bend")
"""Last words of kinds of numbers whose prior is wide or narrow, as the readings have it."""
Learn = Literal["none", "soap", "all"]
"""Which errors of the bench are learnt: for soap those of base, level and tilt; or those of doses,
thicknesses and level."""
MARGIN: Final = 6.0
"""Least gain of log evidence for a pigment's scattering, or a colourant's crowding."""


def _scale(found: Fit) -> float:
    """Factor on the standard deviations of all readings, from their misfit."""
    trusted = _by_bar(found) > 0.5
    misfit = float(found.chi2[trusted].sum())
    free = max(float(found.values[trusted].sum()) - found.effective, 0.0)
    # chi2 is relative to the present scale.
    now = found.problem.scale[0]
    return float(np.sqrt((_BELIEVED + misfit * now**2) / (_BELIEVED + free)))


def _by_bar(found: Fit) -> FloatArray:
    """Weight of each bar."""
    problem = found.problem
    return problem.weights[[members[0] for members in problem.members]]


def _strangeness(whole: Fit, without: Fit, bar: int) -> float:
    """How far a bar is from the prediction of the others, relative to the limit.

    The probability of its reading given the others is the ratio of the two evidences; twice its
    log, without normalisation, is a chi-squared. Unlike a linear extrapolation this does not
    reject a bar that the others predict only roughly.
    """
    from scipy.stats import chi2

    count = float(whole.values[bar])
    far = 2.0 * (without.evidence - whole.evidence) - float(whole.spread[bar])
    trusted = (_by_bar(without) > 0.5) & (without.values > 0)
    usual = max(
        float(np.median((without.lone / without.values)[trusted])),
        0.05 if _spectral(whole.problem) else 1.0,  # three values a bar don't tell less noise
    )
    limit = max(float(chi2.isf(_IMPROBABLE, count)), _FAR * count)
    return far / (limit * usual)


def _spectral(problem: Problem) -> bool:
    """Whether all readings are spectra."""
    return all(p.spectrum is not None for p in problem.pours)


def _distance(without: Fit, bar: int) -> float:
    """Largest CIEDE2000 between a bar's readings and the prediction of the others."""
    p = without.problem
    slips = without.slips.copy()
    slips[p.bars == bar] = 0.0
    seen = p.look(without.theta, slips).spectrum
    far = []
    for i in p.members[bar]:
        view = p.pours[i].observation
        lab = xyz_to_lab(view.weights @ np.maximum(seen[i], 0.0), view.white)
        far.append(float(delta_e(lab, np.array(p.pours[i].lab_seen))))
    return max(far)


def _bench(found: Fit, errors: Errors, learn: Learn) -> Errors:
    """Errors of the bench as large as the readings show them to be.

    Each round sets the sum of the squared slips against the number of slips that the readings
    tell (D. MacKay, Neural Computation 4 (1992) 415, eq. 4.9).
    """
    p = found.problem
    dyes = len(p.pigments)
    if learn == "none":
        return errors
    first = np.array([members[0] for members in p.members])
    first = first[p.weights[first] > 0.5]
    every = np.flatnonzero(p.weights > 0.5)
    told = 1.0 - found.slip_variance

    def times(rows: IntArray, columns: slice, stated: float, now: float, most: float) -> float:
        if stated == 0 or most == 0:
            return 1.0
        squares = float((found.slips[rows, columns] ** 2).sum()) * (now / stated) ** 2
        ratio = (firm + squares) / (firm + float(told[rows, columns].sum()))
        return float(np.clip(np.sqrt(ratio), 0.1, most))

    firm, most = (_FIRM, MOST_WRONG) if learn == "all" else (_LOOSE, MOST_WRONG_OF_SOAP)
    doses, now = errors.dose + errors.dose_share, p.errors.dose + p.errors.dose_share
    end = dyes + 1
    return errors.scaled(
        times(first, slice(0, dyes), doses, now, most[0]),
        times(first, slice(dyes, end), errors.thickness_share, p.errors.thickness_share, most[1]),
        times(first, slice(end, end + 1), errors.base_share, p.errors.base_share, most[2]),
        times(every, slice(end + 1, end + 3), errors.gain, p.errors.gain, most[3]),
    )


def settle(
    problem: Problem, *, near: Fit | None = None, learn: Learn = "none", rough: bool = False
) -> Fit:
    """Fit, name wrong pours, and learn the noise, and of the bench what is to be learnt.

    It begins at what was found before, `near`, if there is such; else it is asked as well whether
    light is lost at edges, or gloss read along.
    Readings of `rough` films are never taken for better than is believed. One bar after the other
    is put aside as long as some bar is next to impossible given the others; of the three strangest
    it is the one whose absence lets the rest agree best. Bars that are `needed` stay.
    """

    def run(p: Problem, near: Fit | None = None, *, brief: bool = False) -> Fit:
        return fit(
            p,
            prior_of(p.unknowns),
            start=None if near is None else _carried(near, p.unknowns),
            slips=None if near is None else near.slips,
            brief=brief,
        )

    if near is None:
        near = with_instrument(run(problem, brief=True))
        problem = near.problem
    found = run(problem, near)
    if not _spectral(problem):  # colours alone have wrong optima
        doubted = run(replace(problem, scale=(_DOUBTED, _DOUBTED)), brief=True)
        found = max(found, run(problem, doubted), key=lambda f: f.evidence)
    for _ in range(max(1, len(problem.members) // 4)):
        ratio = np.where(_by_bar(found) > 0.5, found.lone / found.values, 0.0)
        worst = np.argsort(ratio)[::-1][:3]
        # One wrong bar makes the others look wrong too, so the usual misfit is no guide yet.
        kept = needed(found.problem)
        suspects = [int(b) for b in worst if ratio[b] > SUSPICIOUS and b not in kept]
        if not suspects:
            break
        tries = []
        for bar in suspects:
            weights = found.problem.weights.copy()
            weights[problem.bars == bar] = _LEAST_WEIGHT
            fewer = replace(found.problem, weights=weights)
            tries.append((run(fewer, found, brief=True), bar))
        best, bar = max(tries, key=lambda t: t[0].evidence)
        best = _again(best)
        if _strangeness(found, best, bar) <= 1.0:
            break  # the others don't contradict it
        if _distance(best, bar) <= (_HARMLESS_IF_ROUGH if rough else _HARMLESS):
            break
        found = best
    least = 1.0 if rough else 0.1 if learn == "all" else 0.3
    for _ in range(4):
        scale = float(np.clip(_scale(found), least, 30.0))
        errors = _bench(found, problem.errors, learn)
        before = (found.problem.scale[0], *found.problem.errors)
        if np.allclose(before, (scale, *errors), rtol=0.03):
            break
        found = run(replace(found.problem, scale=(scale, scale), errors=errors), found, brief=True)
    for what in _NUMBERS:
        found = _as_large_as_told(found, what)
    return _again(found)


def with_instrument(found: Fit) -> Fit:
    """The fit with light that is lost at the edge, or gloss that is read along, if more probable.

    In brief. Clear base over white and over black tells the one, all that is dark the other.
    """
    kinds = {u.kind for u in found.problem.unknowns}
    reflected = any(not p.view.through for p in found.problem.pours)
    if not reflected or not {"clear absorption", "paste bend"} <= kinds:
        return found  # no soap
    for of, kind in (("instrument", "gloss offset"), ("edge", "edge loss")):
        if kind in kinds:
            continue
        problem = found.problem
        unknowns = (*problem.unknowns, unknown(of, kind))
        start = np.vstack([found.theta, np.zeros_like(found.theta[:1])])
        other = fit(
            replace(problem, unknowns=unknowns),
            prior_of(unknowns),
            start=start,
            slips=found.slips,
            brief=True,
        )
        # Light is lost at the edge, and not won; of gloss there is more than none.
        if other.theta[-1].mean() > 0 and other.evidence > found.evidence + _LIKELIER:
            found = other
    return found


def _again(tried: Fit) -> Fit:
    """A brief fit, completed."""
    problem = tried.problem
    return fit(problem, prior_of(problem.unknowns), start=tried.theta, slips=tried.slips)


def _as_large_as_told(found: Fit, what: str) -> Fit:
    """The fit with a narrow prior on some numbers, unless the wide one is clearly more probable.

    Readings that hardly tell a number would move it by their noise, or by what the model misses;
    under the narrow prior it stays near its mean. The width of a prior by the evidence: D. MacKay,
    Neural Computation 4 (1992) 415, section 4.
    """
    narrow = _with_width(found, what, SLIGHT)
    if narrow is None or found.evidence > narrow.evidence + _LIKELIER:
        return found
    return narrow


def _with_width(found: Fit, what: str, level: float) -> Fit | None:
    """The fit with another width of the prior on some numbers, in brief; None if it has none."""
    problem = found.problem
    if not any(u.number and u.what == what for u in problem.unknowns):
        return None
    unknowns = tuple(
        u._replace(level=level) if u.number and u.what == what else u for u in problem.unknowns
    )
    return fit(
        replace(problem, unknowns=unknowns),
        prior_of(unknowns),
        start=found.theta,
        slips=found.slips,
        brief=True,
    )


def with_both_widths(found: Fit) -> Fit:
    """The same fit, less sure where the other width of the prior on some numbers is possible too.

    Bends and crowding that the readings hardly tell stay near 0 (`settle`); how large they may be
    all the same is part of the covariance: that of both fits, each as probable as its evidence
    makes it, about this one.
    """
    covariance = found.covariance
    for what in _NUMBERS:
        at = [u for u in found.problem.unknowns if u.number and u.what == what]
        wide = any(u.level > SLIGHT for u in at)
        other = _with_width(found, what, SLIGHT if wide else 1.0)
        if other is None:
            continue
        gain = other.evidence - found.evidence + (_LIKELIER if wide else -_LIKELIER)
        share = 1.0 / (1.0 + float(np.exp(-gain)))
        away = (other.theta - found.theta).ravel()
        both = other.covariance + np.outer(away, away)
        covariance = (1.0 - share) * covariance + share * both
    return replace(found, covariance=covariance)


def needed(problem: Problem) -> frozenset[int]:
    """Bars that are never put aside: the only trusted ones of their kind.

    The only bar with a paste; for a colourant of films the only masstone, and the only mixture.
    """
    films = not any(u.of_base for u in problem.unknowns)
    kept: set[int] = set()
    for name in problem.pigments:
        of: dict[bool, set[int]] = {}
        for pour, bar, w in zip(problem.pours, problem.bars, problem.weights, strict=True):
            if name in pour.doses and w > 0.5:
                of.setdefault(films and len(pour.doses) > 1, set()).add(int(bar))
        kept.update(*(bars for bars in of.values() if len(bars) == 1))
    return frozenset(kept)


def choose_scattering(
    pigments: Sequence[str],
    problem_with: Callable[[frozenset[str]], Problem],
    allowed: Sequence[str],
    progress: Callable[[str], None] | None = None,
    *,
    near: Fit | None = None,
    begin: frozenset[str] | None = None,
) -> tuple[frozenset[str], Fit]:
    """Which pigments scatter, by the evidence of the readings.

    The start is `begin` or the more probable of two: all scatter, or only those that certainly do.
    From there pigments are added or removed one by one while the evidence rises by more than
    `MARGIN` (adding) or at all (removing), with brief fits.
    """
    fits: dict[frozenset[str], Fit] = {}

    def evidence(scattering: frozenset[str], beside: frozenset[str] | None) -> float:
        if scattering not in fits:
            problem = problem_with(scattering)
            if scale > 1.0:
                problem = replace(problem, scale=(scale, scale))
            known = near if beside is None else fits[beside]
            start = _carried(known, problem.unknowns) if known is not None else None
            slips = known.slips if known is not None else None
            fits[scattering] = fit(
                problem, prior_of(problem.unknowns), start=start, slips=slips, brief=True
            )
            if progress is not None:
                names = ", ".join(sorted(scattering)) or "none"
                progress(f"scattering pigments: {names}")
        return fits[scattering].evidence - MARGIN * len(scattering)

    none, every = frozenset[str](), frozenset(allowed)
    first = every if begin is None else begin
    scale = 1.0
    evidence(first, None)
    scale = _scale(fits[first])  # noisy readings ask for more evidence
    if scale > 1.0:
        fits.clear()
    evidence(first, None)
    films = not any(u.of_base for u in fits[first].problem.unknowns)
    sure = _certain(fits[first])
    if begin is not None:
        now = begin
    elif films and sure:
        now = every
    else:
        starts = {every, sure or none}
        now = max(starts, key=lambda o: (evidence(o, every), len(o)))
    while True:
        evidence(now, None)
        certain = _certain(fits[now])
        options = [now ^ {name} for name in pigments if name in every - certain]
        best = max(options, key=lambda o: evidence(o, now), default=now)
        if not options or evidence(best, None) <= evidence(now, None):
            return now, fits[now]
        now = best


def _certain(found: Fit) -> frozenset[str]:
    """Pigments whose scattering is so well determined by the readings that it is certain."""
    sure = set()
    common = shared_scale(found)
    for k, u in enumerate(found.problem.unknowns):
        if u.kind == "pigment scattering":
            level = np.zeros_like(found.theta)
            level[k] = 1.0 / level.shape[1]
            ways = [level] if common is None else [level, level - common]
            variance = min(float(w.ravel() @ found.covariance @ w.ravel()) for w in ways)
            if float(np.sqrt(max(variance, 0.0))) < _CERTAIN:
                sure.add(u.of)
    return frozenset(sure)


def _carried(found: Fit, unknowns: Sequence[Unknown]) -> FloatArray:
    """Spectra of a fit as a start for a problem with other unknowns."""
    known = {(u.of, u.kind): found.theta[k] for k, u in enumerate(found.problem.unknowns)}
    return np.array([known.get((u.of, u.kind), u.mean) for u in unknowns])
