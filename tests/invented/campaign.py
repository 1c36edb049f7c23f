"""The campaign of 17 readings that tests and benches calibrate with, as a yardstick.

With five pigments and white base 15 bars: blanks of clear base and of a 10 % blend over white and
black, white base over white; each pigment twice in clear base over white (a scattering one over
black as well); and mixtures of up to three in the blend, which bind strengths and white together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import shadematch as sm

BLEND = 0.1
"""White fraction at which white base shows how strongly it scatters."""
_LOW, _HIGH, _MIXED = 0.5, 3.0, 1.25
"""Loads [cm per 100 g]: one that shows where a paste absorbs most, one that shows where it absorbs
little and in which 2 mm of ruler count for little; and that of each paste in a mixture."""
_STEPS = {"cm": 0.5, "g": 0.1}


class Planned(NamedTuple):
    """A bar to pour, and the views in which it is measured."""

    name: str
    doses: Mapping[str, float]
    pour: sm.Pour
    views: tuple[sm.View, ...] = (sm.View(),)
    unit: Literal["cm", "g", "part"] = "cm"


class Campaign(NamedTuple):
    """Bars to pour, in order."""

    pours: tuple[Planned, ...]

    @property
    def readings(self) -> int:
        """Number of measurements."""
        return sum(len(p.views) for p in self.pours)


def campaign(
    names: Sequence[str],
    *,
    scattering: Sequence[str] = (),
    unit: Literal["cm", "g"] = "cm",
    g_per_cm: float = 1.0,
    batch_g: float = 500.0,
) -> Campaign:
    """The least that `shadematch.calibrate` needs for a new palette."""
    size, step = (g_per_cm if unit == "g" else 1.0), _STEPS[unit]
    over_white, over_black = sm.View(), sm.View(backing="black")
    both = (over_white, over_black)

    def dose(load: float) -> float:
        return round(max(round(load * size * batch_g / 100.0 / step), 1) * step, 9)

    def planned(
        name: str, doses: dict[str, float], white: float, views: tuple[sm.View, ...]
    ) -> Planned:
        return Planned(name, doses, sm.Pour(batch_g=batch_g, white=white), views, unit)

    plan = [
        planned("clear", {}, 0.0, both),
        planned("white", {}, 1.0, (over_white,)),
        planned("blend", {}, BLEND, both),
    ]
    for name in names:
        views = both if name in scattering else (over_white,)
        plan += [
            planned(f"{name} light", {name: dose(_LOW)}, 0.0, views),
            planned(f"{name} deep", {name: dose(_HIGH)}, 0.0, views),
        ]
    groups = -(-len(names) // 3)
    for at in range(groups):
        mixed = {n: dose(_MIXED) for n in names[at::groups]}
        plan.append(planned(f"mixture {at + 1}", mixed, BLEND, (over_white,)))
    return Campaign(tuple(plan))


def in_white(plan: Campaign) -> Campaign:
    """The same, and its first two pastes together in white base: opaque white hides its strength,
    paste in it shows it."""
    names = list(dict.fromkeys(name for p in plan.pours for name in p.doses))[:2]
    first = next(p for p in plan.pours if len(p.doses) > 1)
    dose = max(first.doses.values())
    pour = first.pour.model_copy(update={"white": 1.0})
    return Campaign(
        (*plan.pours, Planned("in white", dict.fromkeys(names, dose), pour, unit=first.unit))
    )
