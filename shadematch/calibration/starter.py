"""The least to pour for a palette of which nothing is known yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from shadematch.calibration.planned import PlannedPour, PouringPlan
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.unit import Unit, checked_unit
from shadematch.studio.view import View
from shadematch.support.models import between, check_name, expect, listed

__all__ = ["BLEND", "starter_plan"]

_LOW: Final = 0.5
_HIGH: Final = 3.0
"""Loads [cm per 100 g] of the two pours in clear base: one that shows where the paste absorbs
most, one that shows where it absorbs little and in which 2 mm of ruler count for little."""
_MIXED: Final = 1.25
_STEPS: Final[Mapping[Unit, float]] = {"cm": 0.5, "g": 0.1}
"""What doses are rounded to: half a centimetre, or what a small scale shows."""

BLEND: Final = 0.1
"""White fraction at which white base shows how strongly it scatters."""


def starter_plan(
    pigments: Sequence[str],
    *,
    scattering: Sequence[str] = (),
    unit: Unit = "cm",
    g_per_cm: float | None = None,
    batch_g: float = 500.0,
    thickness_cm: float = 1.0,
    white: bool = True,
) -> PouringPlan:
    """The least that a new palette needs: with five pigments and white base 15 bars, 17 readings.

    Blanks of clear base and of a 10 % blend over white and black, white base over white; each
    pigment twice in clear base over white (a scattering one over black as well); and mixtures
    of up to three in the blend, which bind strengths and white together.

    Parameters
    ----------
    pigments
        Names, one to eight.
    scattering
        Those thought to scatter: milky, earthy or pearly pastes.
    unit
        ``"cm"``: doses along a ruler, in steps of half a centimetre; ``"g"``: weighed, in steps of
        0.1 g. The palette learnt from the pours has this unit.
    g_per_cm
        For ``"g"``: what a centimetre of paste weighs [g], so that the loads show much; 10 cm on
        the scale tell it.
    batch_g
        Mass of base [g] of each bar; the smaller the batch, the more a slip of ruler or scale
        counts.
    thickness_cm
        Of all bars [cm].
    white
        Whether the studio uses white base.

    Raises
    ------
    PourError
        For no pigment, more than eight, a name twice or only in `scattering`, weighed doses
        without `g_per_cm`, or a batch in which one step is too much for two loads of a paste.
    """
    remedy = "Give the names of the pastes"
    names = listed((pigments,) if isinstance(pigments, str) else pigments, "pigments", remedy)
    for name in names:
        expect(name, str, "pigments", remedy)
        check_name(name, "pigments")
    scattering = listed(
        (scattering,) if isinstance(scattering, str) else scattering, "scattering", remedy
    )
    expect(white, bool, "white", "Give True or False")
    if not 1 <= len(names) <= 8 or len(set(names)) != len(names) or not all(names):
        raise PourError(
            "needs one to eight names, each once",
            field="pigments",
            value=names,
            remedy="Give the names of the pastes",
        )
    for name in scattering:
        if name not in names:
            raise PourError(
                "is none of the pastes",
                field="scattering",
                value=name,
                remedy=f"Take one of {', '.join(names)}",
            )
    size = _size(unit, g_per_cm)
    step = _STEPS[unit]
    over_white, over_black = View(), View(backing="black")
    both = (over_white, over_black)

    def poured(white_share: float) -> Pour:
        return Pour(batch_g=batch_g, thickness_cm=thickness_cm, white=white_share)

    def dose(load: float) -> float:
        return round(max(round(load * size * batch_g / 100.0 / step), 1) * step, 9)

    def planned(
        name: str, doses: dict[str, float], share: float, views: tuple[View, ...], why: str
    ) -> PlannedPour:
        return PlannedPour(
            name=name, doses=doses, pour=poured(share), views=views, why=why, unit=unit
        )

    poured(0.0)  # refuses what can't be melted or cast
    if dose(_LOW) >= dose(_HIGH):
        raise PourError(
            f"is too small for two loads of a paste in steps of {step:g} {unit}",
            field="batch_g",
            value=batch_g,
            remedy="Melt 100 g or more; best 500 g",
        )

    plan = [planned("clear", {}, 0.0, both, "clear base, and the two backings")]
    if white:
        plan += [
            planned("white", {}, 1.0, (over_white,), "the colour of white base"),
            planned("blend", {}, BLEND, both, "how strongly white base scatters"),
        ]
    for name in names:
        views = both if name in scattering else (over_white,)
        light, deep = {name: dose(_LOW)}, {name: dose(_HIGH)}
        plan += [
            planned(f"{name} light", light, 0.0, views, "where it absorbs most"),
            planned(f"{name} deep", deep, 0.0, views, "where it absorbs little, and its strength"),
        ]
    if white:
        groups = -(-len(names) // 3)
        for at in range(groups):
            mixed = {n: dose(_MIXED) for n in names[at::groups]}
            plan.append(
                planned(f"mixture {at + 1}", mixed, BLEND, (over_white,), "strengths in a blend")
            )
    return PouringPlan(tuple(plan))


def _size(unit: Unit, g_per_cm: float | None) -> float:
    """What a centimetre of paste is in the unit."""
    if checked_unit(unit) == "cm":
        if g_per_cm is not None:
            raise PourError(
                "has no meaning for doses along a ruler",
                field="g_per_cm",
                value=g_per_cm,
                remedy="Leave it out, or say unit='g'",
            )
        return 1.0
    remedy = "Squeeze 10 cm onto the scale and take a tenth of what it shows"
    return between(g_per_cm, "g_per_cm", 0.01, 100.0, remedy)
