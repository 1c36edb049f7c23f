"""What may have gone wrong with a bar that does not fit: explanations and their probabilities."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.calibration.spectra import further_bases
from shadematch.journal.noise import Miss
from shadematch.journal.seeing import Bar, Roughness, expected_readings, values_of
from shadematch.journal.unknowns import Believed, Tube
from shadematch.studio.pour import CLEAR, base_named
from shadematch.studio.unit import Unit

__all__ = ["Explanation", "explained"]

_NEW_SD: Final = 0.3
"""How far the strength of an unannounced new tube may differ [natural log]."""
_SHARES: Final = {
    "wrong tube": 0.3,
    "exchanged": 0.1,
    "dose": 0.2,
    "left out": 0.05,
    "decimal": 0.1,
    "new tube": 0.1,
    "base": 0.1,
    "thickness": 0.05,
}
"""Prior probability of each kind of mistake (estimates), divided among its variants."""
_THINNEST, _THICKEST = 0.01, 100.0


@dataclass(frozen=True)
class Explanation:
    """Something that may have gone wrong with a bar.

    Attributes
    ----------
    text
        The explanation in words.
    kind
        ``"wrong tube"``, ``"exchanged"`` (two doses), ``"dose"``, ``"left out"``, ``"decimal"``,
        ``"new tube"``, ``"base"`` or ``"thickness"``.
    pastes
        The pastes concerned.
    share
        Its probability among all explanations tested, 0 to 1.
    fits
        Probability that a bar with that mistake is farther off, 0 to 1; below 0.01 the mistake
        does not explain the bar.
    """

    text: str
    kind: str
    pastes: tuple[str, ...]
    share: float
    fits: float


@dataclass(frozen=True)
class _Tried:
    text: str
    kind: str
    pastes: tuple[str, ...]
    bar: Bar
    loose: Tube | None = None


def explained(
    belief: Believed, bar: Bar, tubes: Mapping[str, Tube], rough: Roughness, unit: Unit
) -> tuple[Explanation, ...]:
    """The three most likely explanations for a bar, by a belief that has not learned from it."""
    from scipy.stats import chi2

    known = set(belief.layout.tubes)
    bases = (CLEAR, *further_bases(belief.layout.unknowns))
    tried = [t for t in _variants(bar, tubes, bases, unit) if set(t.bar.tubes) <= known]
    if not tried:
        return ()
    y = values_of(bar.reading)
    counts = Counter(each.kind for each in tried)
    logs, fits = [], []
    for each, seen in zip(
        tried,
        expected_readings(belief.mean, belief.layout, [t.bar for t in tried], unit),
        strict=True,
    ):
        covariance = seen.slopes @ belief.covariance @ seen.slopes.T
        if each.loose is not None:
            by = seen.slopes[:, belief.layout.at_tube(each.loose)]
            covariance = covariance + _NEW_SD**2 * np.outer(by, by)
        miss = Miss(y - seen.values, covariance, seen.noise)
        total = miss.total(rough)
        far = miss.far(rough)
        prior = np.log(_SHARES[each.kind] / counts[each.kind])
        logs.append(float(prior - 0.5 * far - 0.5 * np.linalg.slogdet(total)[1]))
        fits.append(float(chi2.sf(far, y.size)))
    shares = np.exp(np.array(logs) - max(logs))
    shares = shares / shares.sum()
    order = np.argsort(-shares, kind="stable")
    return tuple(
        Explanation(tried[i].text, tried[i].kind, tried[i].pastes, float(shares[i]), fits[i])
        for i in order[:3].tolist()
    )


def _variants(
    bar: Bar, tubes: Mapping[str, Tube], bases: Sequence[str], unit: Unit
) -> Iterator[_Tried]:
    doses, pour = dict(bar.reading.doses), bar.reading.pour
    own = {t.paste: t for t in bar.tubes}

    def dosed(new: Mapping[str, float]) -> Bar:
        kept = {n: d for n, d in new.items() if d > 0}
        drawn = tuple(own.get(n) or tubes[n] for n in kept if n in own or n in tubes)
        return replace(bar, reading=replace(bar.reading, doses=kept, name="odd"), tubes=drawn)

    for one, dose in doses.items():
        rest = {n: d for n, d in doses.items() if n != one}
        for other in tubes:
            if other != one:
                text = f"it was {dose:g} {unit} of {other}, not of {one}"
                new = {**rest, other: rest.get(other, 0.0) + dose}
                yield _Tried(text, "wrong tube", (one, other), dosed(new))
        for other in doses:
            if one < other:
                text = f"the doses of {one} and {other} were exchanged"
                new = {**doses, one: doses[other], other: dose}
                yield _Tried(text, "exchanged", (one, other), dosed(new))
        yield _Tried(f"{one} was left out", "left out", (one,), dosed(rest))
        for factor, text in ((10.0, "ten times"), (0.1, "a tenth of")):
            said = f"{one} went in at {text} what was written down (a decimal, or millimetres)"
            yield _Tried(said, "decimal", (one,), dosed({**rest, one: dose * factor}))
        step = pour.dose_step
        amounts = {dose + k * step for k in (-3, -2, -1, 1, 2, 3)} | {2 * dose, 0.5 * dose}
        for amount in sorted(a for a in amounts if a > 0):
            text = f"{amount:g} {unit} of {one} went in, not {dose:g}"
            yield _Tried(text, "dose", (one,), dosed({**rest, one: amount}))
        if one in own:
            text = f"the tube of {one} was a new one"
            yield _Tried(text, "new tube", (one,), bar, own[one])
    whites = sorted({0.0, 1.0, round(1.0 - pour.white, 9)} - {pour.white})
    blends = [(white, pour.base) for white in whites]
    if pour.white < 1:
        blends += [(pour.white, base) for base in bases if base != pour.base]
    for white, base in blends:
        text = f"it was poured in {base_named(white, base)}, not in {pour.blend}"
        new_pour = pour.model_copy(update={"white": white, "base": base})
        changed = replace(bar, reading=replace(bar.reading, pour=new_pour, name="odd"))
        yield _Tried(text, "base", (), changed)
    for factor in (0.1, 10.0):
        thickness = pour.thickness_cm * factor
        if _THINNEST <= thickness <= _THICKEST:
            text = f"the bar is {thickness:g} cm thick, not {pour.thickness_cm:g}"
            new_pour = pour.model_copy(update={"thickness_cm": thickness})
            changed = replace(bar, reading=replace(bar.reading, pour=new_pour, name="odd"))
            yield _Tried(text, "thickness", (), changed)
