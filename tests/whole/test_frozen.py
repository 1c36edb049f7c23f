"""Five hundred answers are what they were before; see `frozen`."""

from __future__ import annotations

import json
import math

import pytest

from tests.whole.frozen import Data, ask, plain, read

BLOCKS = 10
SAME = 1e-9
GAP = 0.01
"""What a proof leaves open, in CIEDE2000: the bound may lie so far below the answer."""


def same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=SAME, abs_tol=SAME)


def as_good(new: Data, old: Data, *, may_take_less: bool = False) -> bool:
    """Whether a recipe or addition is the old one, or ties with it and takes as much paste."""
    if not same(new["delta_e"], old["delta_e"]):
        return False
    apart = {key for key in old if key != "delta_e" and new[key] != old[key]}
    paste, was = sum(new["doses"].values()), sum(old["doses"].values())
    return not apart or same(paste, was) or (may_take_less and paste < was)


def faults_of_bound(new: Data, old: Data) -> list[str]:
    """Whether the floor is one, and no weaker than it was."""
    found = []
    if new["bound"] > min(new["closest"]["delta_e"], old["closest"]["delta_e"]) + SAME:
        found.append("the bound lies above a recipe that is there")
    if old["proved"]:
        if not new["proved"]:
            found.append("it was proved")
        if new["bound"] < old["closest"]["delta_e"] - GAP - SAME:
            found.append("the bound is weaker than a proof")
    elif new["bound"] < old["bound"] - SAME:
        found.append("the bound is weaker")
    return found


def faults_of_match(new: Data, old: Data, tolerance: float) -> list[str]:
    found = faults_of_bound(new, old)
    closest, frugal = new["closest"], new["frugal"]
    if not old["proved"] and closest["delta_e"] < old["closest"]["delta_e"] - SAME:
        # Better than what was known: all else may follow from it.
        if frugal["delta_e"] > closest["delta_e"] + tolerance + SAME:
            found.append("frugal strays beyond the tolerance")
        return found
    if not as_good(closest, old["closest"], may_take_less=True):  # as ties should be settled
        found.append("closest changed")
    less = sum(frugal["doses"].values()) < sum(old["frugal"]["doses"].values()) - SAME
    within = frugal["delta_e"] <= closest["delta_e"] + tolerance + SAME
    better = not old["frugal_proved"] and less and within
    if not better and not as_good(frugal, old["frugal"]):
        found.append("frugal changed")
    if old["frugal_proved"] and not new["frugal_proved"]:
        found.append("frugal was proved")
    if new["ideal_delta_e"] > old["ideal_delta_e"] + SAME:  # no proof: a better one is welcome
        found.append("ideal is worse")
    return found


def faults_of_correction(new: Data, old: Data) -> list[str]:
    found = faults_of_bound(new, old)
    for key in ("smallest", "closest"):
        one, other = new[key], old[key]
        if (one is None) != (other is None) or (one and not as_good(one, other)):
            found.append(f"{key} changed")
    if not same(new["believed_delta_e"], old["believed_delta_e"]):
        found.append("what is believed changed")
    return found


def faults(problem: Data, new: Data, old: Data) -> list[str]:
    if problem["call"] == "correct":
        return faults_of_correction(new, old)
    return faults_of_match(new, old, problem["tolerance"])


@pytest.mark.slow
@pytest.mark.parametrize("block", range(BLOCKS))
def test_answers_are_what_they_were(block: int) -> None:
    kept = read()
    size = math.ceil(len(kept["problems"]) / BLOCKS)
    said = []
    for each in kept["problems"][block * size : (block + 1) * size]:
        problem, old = each["problem"], each["answer"]
        new = plain(ask(problem, kept["palettes"]))
        wrong = faults(problem, new, old)
        if wrong:
            said.append(
                f"{problem['name']}: {'; '.join(wrong)}\n"
                f"  was {json.dumps(old)}\n  is  {json.dumps(new)}"
            )
    assert not said, "\n".join([f"{len(said)} answers changed", *said])


def test_what_is_frozen() -> None:
    kept = read()
    asked = [each["problem"] for each in kept["problems"]]
    assert len({problem["name"] for problem in asked}) == len(asked)
    assert sum(problem["call"] == "match" for problem in asked) == 500
    assert "no outside check" in kept["header"]


def one(doses: dict[str, float], delta_e: float) -> Data:
    return {"doses": doses, "let_downs_g": [], "delta_e": delta_e}


OLD: Data = {
    "closest": one({"a": 2.0, "b": 1.0}, 1.0),
    "frugal": one({"a": 2.0}, 1.4),
    "bound": 0.995,
    "proved": True,
    "frugal_proved": True,
    "ideal_delta_e": 0.5,
}
OPEN = OLD | {"bound": 0.2, "proved": False, "frugal_proved": False}


@pytest.mark.parametrize(
    ("old", "change", "noticed"),
    [
        (OLD, {}, ""),
        (OLD, {"bound": 0.99}, ""),
        (OLD, {"bound": 1.0}, ""),
        (OLD, {"bound": 0.9899}, "weaker than a proof"),
        (OLD, {"bound": 1.001}, "above a recipe"),
        (OLD, {"proved": False}, "it was proved"),
        (OLD, {"frugal_proved": False}, "frugal was proved"),
        (OLD, {"ideal_delta_e": 0.5 + 1e-7}, "ideal is worse"),
        (OLD, {"closest": one({"a": 1.0, "b": 2.0}, 1.0)}, ""),
        (OLD, {"closest": one({"a": 1.0, "b": 1.0}, 1.0)}, ""),
        (OLD, {"closest": one({"a": 2.0, "b": 2.0}, 1.0)}, "closest changed"),
        (OLD, {"closest": one({"a": 2.0, "b": 1.0}, 1.0 + 1e-7)}, "closest changed"),
        (OLD, {"closest": one({"a": 1.0, "b": 2.0}, 0.996)}, "closest changed"),
        (OLD, {"frugal": one({"a": 1.5}, 1.4)}, "frugal changed"),
        (OPEN, {}, ""),
        (OPEN, {"bound": 0.1}, "the bound is weaker"),
        (OPEN, {"closest": one({"a": 3.0}, 0.9)}, ""),
        (OPEN, {"closest": one({"a": 3.0}, 0.8)}, "strays"),
        (OPEN, {"closest": one({"a": 3.0}, 1.1)}, "closest changed"),
        (OPEN, {"frugal": one({"a": 1.0}, 1.5)}, ""),
        (OPEN, {"frugal": one({"a": 1.0}, 1.6)}, "frugal changed"),
    ],
)
def test_a_change_is_noticed(old: Data, change: Data, noticed: str) -> None:
    found = faults({"call": "match", "tolerance": 0.5}, old | change, old)
    assert (noticed in "; ".join(found)) if noticed else not found
