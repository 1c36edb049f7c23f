"""Every kind of file: what was saved comes back, and a file can't say what no call could."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.keeping.files import KINDS
from shadematch.keeping.saved import SavedRecipe

POUR = sm.Pour(batch_g=200, thickness_cm=1.0)
LAMP = sm.Illuminant("hall", tuple(range(380, 731, 5)), tuple(np.linspace(1, 3, 71)))


def targets() -> list[sm.Target]:
    covariance = ((1.0, 0.1, 0.0), (0.1, 2.0, 0.0), (0.0, 0.0, 0.5))
    return [
        sm.Target.from_hex("#d9822b"),
        sm.Target.from_lab((50, 10, 10), illuminant="D50", observer="10", covariance=covariance),
        sm.Target.from_lab((50, 10, 10), illuminant=LAMP),
        sm.Target.from_reflectance(range(380, 731, 10), np.linspace(0.1, 0.8, 36).tolist()),
    ]


def rewritten(path: Path, changes: dict[tuple[Any, ...], Any]) -> Path:
    """The file with some entries changed."""
    data = json.loads(path.read_text(encoding="utf-8"))
    for where, value in changes.items():
        inner = data
        for key in where[:-1]:
            inner = inner[key]
        inner[where[-1]] = value
    other = path.with_name("other.json")
    other.write_text(json.dumps(data), encoding="utf-8")
    return other


def test_a_file_says_itself_what_it_is(tmp_path: Path) -> None:
    palette, match = sm.demo_palette().only("gorse"), sm.match("#d9822b", pour=POUR)
    batch = sm.correct(match.recipe, (60, 30, 50), "#d9822b")
    for name, thing in (("p", palette), ("t", targets()), ("m", match), ("c", batch)):
        sm.save(thing, tmp_path / name)
    assert sm.read(tmp_path / "p") == palette
    assert sm.read(tmp_path / "t") == targets()
    assert sm.read(tmp_path / "m").match == match
    assert sm.read(tmp_path / "c") == batch
    heads = {json.loads((tmp_path / name).read_text())["format"] for name in "ptmc"}
    assert heads < {f"shadematch {kind}" for kind in KINDS}
    for name, kind in (("p", SavedRecipe), ("t", sm.Palette), ("m", list)):
        with pytest.raises(sm.FileError, match="format: must be that of a") as found:
            sm.read(tmp_path / name, kind)
        assert found.value.remedy
    with pytest.raises(sm.PourError, match="kind"):
        sm.read(tmp_path / "p", dict)


def test_a_newer_file_and_no_file_of_ours(tmp_path: Path) -> None:
    sm.save(targets(), tmp_path / "t.json")
    for change, said in (
        ({("version",): 2}, "written by a newer shadematch"),
        ({("version",): True}, "unknown version"),
        ({("format",): "shadematch soap"}, "not known to this library"),
        ({("format",): ["shadematch targets"]}, "not known to this library"),
        ({("more",): 1}, "more: is not known here"),
    ):
        with pytest.raises(sm.FileError, match=said):
            sm.read(rewritten(tmp_path / "t.json", change))


def test_what_is_there_is_not_lost(tmp_path: Path) -> None:
    place = tmp_path / "p.json"
    palette = sm.demo_palette()
    sm.save(palette, place)
    before = place.stat()
    sm.save(palette, place)  # the same is not a conflict
    assert place.stat().st_mtime_ns == before.st_mtime_ns
    with pytest.raises(sm.FileError, match="another file is there") as found:
        sm.save(palette.only("gorse"), place)
    assert "(replace, --replace)" in found.value.remedy
    assert sm.read(place) == palette
    sm.save(palette.only("gorse"), place, replace=True)
    assert sm.read(place) == palette.only("gorse")


@pytest.mark.parametrize("name", ["p.txt", "p.csv", "p.json.html"])
def test_a_name_that_promises_something_else(tmp_path: Path, name: str) -> None:
    with pytest.raises(sm.FileError, match=r"path: must end in \.json .*Name it p"):
        sm.save(sm.demo_palette(), tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_options_that_mean_nothing(tmp_path: Path) -> None:
    palette = sm.demo_palette()
    for thing, more in (
        (palette, {"note": "mine"}),
        (palette, {"view": sm.View()}),
        (targets(), {"palette": palette}),
    ):
        with pytest.raises(sm.PourError, match="has no meaning here"):
            sm.save(thing, tmp_path / "x", **more)  # type: ignore[call-overload]
    for thing in (3, None, ["#fff"], "#fff", object()):
        with pytest.raises(sm.PourError, match=r"thing: .*Give a Palette"):
            sm.save(thing, tmp_path / "x")  # type: ignore[arg-type]
    with pytest.raises(sm.PourError, match="note"):
        sm.save([], tmp_path / "x", note="x" * 10_001)
    assert not list(tmp_path.iterdir())


# --- what a file may not say


def test_targets_come_back_as_they_were(tmp_path: Path) -> None:
    sm.save(targets(), tmp_path / "a.json", note="spring")
    back = sm.read(tmp_path / "a.json", list)
    assert back == targets()
    assert np.array_equal(back[3].reflectance, np.asarray(targets()[3].reflectance))
    assert "spring" in (tmp_path / "a.json").read_text()
    sm.save([], tmp_path / "none.json")
    assert sm.read(tmp_path / "none.json", list) == []


@pytest.mark.parametrize(
    ("at", "entry", "value", "said"),
    [
        # What `Target.from_lab` refuses.
        (0, "lab", [-1, 0, 0], r"targets\.0\.lab: no surface can have this colour"),
        (0, "lab", [105, 0, 0], "no surface can have this colour"),
        (0, "lab", [150, 0, 0], "no surface can have this colour"),
        (0, "lab", [50, 500, 0], "no surface can have this colour"),
        # Three standard deviations do not reach so far.
        (1, "lab", [110, 0, 0], "no surface can have this colour"),
        (0, "lab", [50, True, 0], "must be a number"),
        (0, "lab", [50, "0", 0], "must be a number"),
        (0, "lab", [50, float("nan"), 0], "must be a finite number"),
        # A spectrum has one colour.
        (3, "lab", [50, 0, 0], "is not the colour of the spectrum"),
        (3, "reflectance", [0.5] * 35, "has 35 entries"),
        (3, "reflectance", [0.5] * 35 + [1.5], "needs 36 numbers from 0 to 1"),
        (1, "covariance", [[1, 2, 0], [2, 1, 0], [0, 0, 1]], "is not a covariance"),
        (0, "illuminant", "D66", r"targets\.0\.illuminant: unknown illuminant"),
        (0, "source", 3, "must be a text"),
    ],
)
def test_a_target_that_no_maker_makes(
    tmp_path: Path, at: int, entry: str, value: object, said: str
) -> None:
    sm.save(targets(), tmp_path / "a.json")
    with pytest.raises(sm.FileError, match=said):
        sm.read(rewritten(tmp_path / "a.json", {("targets", at, entry): value}))


@pytest.mark.parametrize("value", [True, "1", None, [1], float("inf")])
def test_the_power_of_a_light_is_a_number(tmp_path: Path, value: object) -> None:
    sm.save(targets(), tmp_path / "a.json")
    where = ("targets", 2, "illuminant", "power", 3)
    with pytest.raises(sm.FileError, match="power: must be finite numbers"):
        sm.read(rewritten(tmp_path / "a.json", {where: value}))
    with pytest.raises(sm.ColourError, match="power: must be finite numbers"):
        sm.Illuminant("hall", LAMP.wavelengths_nm, (value, *LAMP.power[1:]))  # type: ignore[arg-type]


def test_a_colour_known_badly_may_lie_a_little_outside(tmp_path: Path) -> None:
    # A photo's neutral can be off by a few units of L*.
    wide = ((9.0, 0.0, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 9.0))
    target = sm.Target((103.0, 0.0, 0.0), source="a photo", covariance=wide)
    sm.save([target], tmp_path / "a.json")
    assert sm.read(tmp_path / "a.json") == [target]
    with pytest.raises(sm.ColourError, match="no surface"):
        sm.save([sm.Target((115.0, 0.0, 0.0), covariance=wide)], tmp_path / "b.json")


def test_a_match_that_contradicts_itself(tmp_path: Path) -> None:
    place = tmp_path / "m.json"
    found = sm.match("#d9822b", pour=POUR, max_pigments=2, must_use=["gorse"], must_avoid=["kelp"])
    sm.save(found, place)
    entry = json.loads(place.read_text())["match"]
    closest, frugal = entry["closest"], entry["frugal"]
    more = copy.deepcopy(closest["doses"]) | {"gorse": closest["doses"]["gorse"] + 1}
    for change, said in (
        ({("delta_e",): 0.0}, "delta_e: does not fit"),
        ({("delta_e",): found.delta_e + 0.1}, "delta_e: does not fit"),
        ({("delta_e",): None}, "target: is missing"),
        ({("match", "tolerance"): 1e308}, "match.tolerance: must be a number from 0 to 1,000"),
        ({("match", "closest", "delta_e"): closest["delta_e"] + 0.005}, "does not fit|contradicts"),
        ({("match", "frugal", "delta_e"): 0.0}, "contradicts"),
        ({("match", "closest", "doses"): more}, "does not fit|contradicts"),
        ({("match", "frugal", "doses"): {"gorse": 7.0}}, "does not fit|contradicts"),
        ({("match", "closest", "doses"): {"gorse": 2.5}}, "not a multiple of its step"),
        ({("match", "closest", "doses"): {"gorse": 900.0}}, "more paste than the load limit"),
        ({("match", "closest", "doses"): {"rosehip": 1.0}}, "lacks a pigment that must be used"),
        (
            {("match", "closest", "doses"): {"gorse": 1.0, "kelp": 1.0}},
            "has a pigment that must be avoided",
        ),
        (
            {("match", "closest", "doses"): {"gorse": 1.0, "dusk": 1.0, "rosehip": 1.0}},
            "has too many pigments",
        ),
        ({("match", "max_pigments"): 0}, "match.max_pigments"),
        ({("match", "max_pigments"): True}, "match.max_pigments"),
        ({("match", "must_avoid"): ["gorse"]}, "can't be both used and avoided"),
        ({("match", "bound"): closest["delta_e"] + 1}, "match.bound: contradicts"),
        ({("match", "bound"): closest["delta_e"] - 1}, "match.proved: contradicts"),
        ({("match", "lights"): ["A"]}, "match.lights: must begin with the view's"),
        ({("target",): None}, "target: is missing"),
        ({("in_srgb",): True}, "in_srgb: is not known here"),  # it follows from the colour
    ):
        with pytest.raises(sm.FileError, match=said):
            sm.read(rewritten(place, change))
            pytest.fail(f"read although {change}")
    assert frugal["delta_e"] <= closest["delta_e"] + entry["tolerance"]


def test_whether_a_colour_is_in_srgb_follows_from_it(tmp_path: Path) -> None:
    for doses, pour in (({"gorse": 1}, POUR), ({"gorse": 4, "rosehip": 4}, POUR)):
        seen = sm.predict(doses, pour=pour)
        sm.save(seen, tmp_path / "p.json", replace=True)
        back = sm.read(tmp_path / "p.json")
        assert (back.hex, back.in_srgb) == (seen.hex, seen.in_srgb)
    assert not seen.in_srgb  # both ways were seen


def test_a_robust_match_is_checked_as_well(tmp_path: Path) -> None:
    found = sm.match("#d9822b", pour=POUR, robust=True, lights=["D65", "A"])
    sm.save(found, tmp_path / "r.json")
    assert sm.read(tmp_path / "r.json").match == found
    for part, entry, value in (
        ("robust", "doses", {"ink": 1.0}),
        ("robust", "doses", {"gorse": 1.5}),
        ("robust", "delta_e", -1.0),
        ("readings", "dose_slip", -1.0),
        ("readings", "scale_g", 1e9),
        ("readings", "complete", 1),
    ):
        with pytest.raises(sm.FileError):
            sm.read(rewritten(tmp_path / "r.json", {("match", part, entry): value}))
