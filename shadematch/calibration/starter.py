"""The least to pour for a palette of which nothing is known yet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from shadematch.calibration.planned import PlannedPour, PouringPlan
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.models import check_name, expect, listed

__all__ = ["BLEND", "starter_plan"]

_LOW: Final = 0.5
_HIGH: Final = 3.0
"""Loads [cm per 100 g] of the two pours in clear base: one that shows where the paste absorbs
most, one that shows where it absorbs little and in which 2 mm of ruler count for little."""
_MIXED: Final = 1.25

BLEND: Final = 0.1
"""White fraction at which white base shows how strongly it scatters."""


def starter_plan(
    pigments: Sequence[str],
    *,
    scattering: Sequence[str] = (),
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
    batch_g
        Mass of base [g] of each bar. Doses are whole steps of half a centimetre; the smaller the
        batch, the more a slip of the ruler counts.
    thickness_cm
        Of all bars [cm].
    white
        Whether the studio uses white base.

    Raises
    ------
    PourError
        For no pigment, more than eight, a name twice or only in `scattering`, or a batch in
        which half a centimetre is too much for two loads of a paste.
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
    over_white, over_black = View(), View(backing="black")
    both = (over_white, over_black)

    def poured(white_share: float) -> Pour:
        return Pour(batch_g=batch_g, thickness_cm=thickness_cm, white=white_share)

    def dose(load: float) -> float:
        return max(round(2 * load * batch_g / 100.0) / 2, 0.5)

    poured(0.0)  # refuses what can't be melted or cast
    if dose(_LOW) >= dose(_HIGH):
        raise PourError(
            "is too small for two loads of a paste in steps of half a centimetre",
            field="batch_g",
            value=batch_g,
            remedy="Melt 100 g or more; best 500 g",
        )

    plan = [PlannedPour("clear", {}, poured(0.0), both, "clear base, and the two backings")]
    if white:
        plan += [
            PlannedPour("white", {}, poured(1.0), (over_white,), "the colour of white base"),
            PlannedPour("blend", {}, poured(BLEND), both, "how strongly white base scatters"),
        ]
    for name in names:
        views = both if name in scattering else (over_white,)
        plan += [
            PlannedPour(
                f"{name} light", {name: dose(_LOW)}, poured(0.0), views, "where it absorbs most"
            ),
            PlannedPour(
                f"{name} deep",
                {name: dose(_HIGH)},
                poured(0.0),
                views,
                "where it absorbs little, and its strength",
            ),
        ]
    if white:
        groups = -(-len(names) // 3)
        for at in range(groups):
            mixed = names[at::groups]
            plan.append(
                PlannedPour(
                    f"mixture {at + 1}",
                    {n: dose(_MIXED) for n in mixed},
                    poured(BLEND),
                    (over_white,),
                    "strengths in a blend",
                )
            )
    return PouringPlan(tuple(plan))
