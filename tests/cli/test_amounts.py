"""Numbers, masses, lengths and doses as people type them, and colours that a shell has eaten."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm

Run = Callable[..., tuple[int, str, str]]

DOSED = ("predict", "gorse=2.5", "rosehip=1")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (("gorse=2,5", "rosehip=1"), DOSED[1:]),
        (("Gorse=2.5", "ROSEHIP=1"), DOSED[1:]),
        (("gorse=25mm", "rosehip=1cm"), DOSED[1:]),
        (("gorse = 2,5 cm", "rosehip=1"), DOSED[1:]),
        (("gorse=2.5", "rosehip=1", "--batch", "1kg"), (*DOSED[1:], "--batch", "1000")),
        (("gorse=2.5", "rosehip=1", "--batch", "0,25 kg"), (*DOSED[1:], "--batch", "250")),
        (("gorse=2.5", "rosehip=1", "--batch", "250g"), (*DOSED[1:], "--batch", "250")),
        (("gorse=2.5", "rosehip=1", "--thickness", "15mm"), (*DOSED[1:], "--thickness", "1.5")),
        (("gorse=2.5", "rosehip=1", "--thickness", "1,5"), (*DOSED[1:], "--thickness", "1.5")),
        (("gorse=2.5", "rosehip=1", "--white", "12,5%"), (*DOSED[1:], "--white", "0.125")),
        (("gorse=2.5", "rosehip=1", "--backing", "50%"), (*DOSED[1:], "--backing", "0.5")),
    ],
)
def test_amounts_are_understood(run: Run, typed: tuple[str, ...], meant: tuple[str, ...]) -> None:
    assert run("predict", *typed, "--json") == run("predict", *meant, "--json")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (
            ("layers", "6mm:gorse=2,5,kelp=1", "0,8/10%:dusk=2"),
            ("layers", "0.6:gorse=2.5,kelp=1", "0.8/0.1:dusk=2"),
        ),
        (
            ("wedge", "gorse=2", "--from", "0", "--to", "1,5"),
            ("wedge", "gorse=2", "--from", "0", "--to", "15mm"),
        ),
        (("pot", "gorse=2", "--drop", "0.3cm"), ("pot", "gorse=2", "--drop", "3")),
        (
            ("spread", "gorse=2", "--dose-slip", "0,1", "--scale", "0.001kg"),
            ("spread", "gorse=2", "--dose-slip", "0.1", "--scale", "1"),
        ),
        (
            (
                "match",
                "--lab",
                "93,5",
                "1",
                "5,25",
                "--batch",
                "60",
                "--let-down",
                "Gorse=1/0,05kg",
            ),
            ("match", "--lab", "93.5", "1", "5.25", "--batch", "60", "--let-down", "gorse=1/50"),
        ),
        (
            (
                "feasibility",
                "#d9822b",
                "--thicknesses",
                "0,5; 1",
                "--whites",
                "0%",
                "--batch",
                ".1kg",
            ),
            ("feasibility", "d9822b", "--thicknesses", "0.5,1", "--whites", "0", "--batch", "100"),
        ),
    ],
)
def test_other_verbs_understand_them_too(
    run: Run, typed: tuple[str, ...], meant: tuple[str, ...]
) -> None:
    said = run(*typed, "--json")
    assert said == run(*meant, "--json") and said[0] == 0


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("predict gorse=1,000", ("gorse=1,000", "could mean 1000 or 1.000")),
        ("predict gorse=2 --batch 1,000", ("--batch", "could mean 1000 or 1.000")),
        ("predict gorse=2g", ("gorse=2g", "is in g", "doses are in cm")),
        ("predict gorse=2 --batch 1lb", ("--batch", "'1lb'", "1kg")),
        ("predict gorse=2 --thickness 2kg", ("--thickness", "'2kg'", "5mm")),
        ("predict gorze=2", ("gorze", "Did you mean gorse?")),
        ("predict gorse=1 gorse=2", ("gorse=2", "appears twice")),
        ("predict gorse=1 Gorse=2", ("Gorse", "appears twice")),
        ("prdict gorse=1", ("prdict", "Did you mean predict?")),
        ("match", ("none", 'type "#d9822b" in quotes, or d9822b without #')),
        ("sheet", ("none", "d9822b without #")),
        ("spread gorse=2 --target", ("--target", "d9822b without #")),
        ("match --xyz 0.3 0.3 0.3", ("--xyz", "scale of 0 to 1", "Multiply by 100")),
    ],
)
def test_slips_are_met_with_a_remedy(run: Run, words: str, parts: tuple[str, ...]) -> None:
    status, out, err = run(*words.split())
    assert (status, out) == (2, "")
    for part in parts:
        assert part in err


def test_a_colour_needs_no_hash(run: Run) -> None:
    assert run("match", "d9822b", "--json") == run("match", "#d9822b", "--json")


# --- millimetres


@pytest.mark.parametrize(
    "words",
    [
        ("match", "#d9822b", "--thickness", "20"),
        ("predict", "gorse=2", "--thickness", "0.1"),
        ("same-look", "gorse=2", "--to-thickness", "20"),
        ("feasibility", "#d9822b", "--thicknesses", "10,20", "--whites", "0"),
    ],
)
def test_odd_thicknesses_need_a_flag(run: Run, words: tuple[str, ...]) -> None:
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert "bars are 0.2 to 8 cm thick" in err and "add --any-thickness" in err
    assert ("if millimetres were meant, it is" in err) == ("0.1" not in words)
    status, out, err = run(*words, "--any-thickness")
    assert (status, err) == (0, "") and out


def test_a_saved_bar_that_was_meant_is_opened_with_the_flag(run: Run, tmp_path: Path) -> None:
    place = str(tmp_path / "o.json")
    words = ("match", "#d9822b", "--thickness", "10", "--any-thickness", "--save", place)
    assert run(*words)[0] == 0
    assert run("repeat", place, "--any-thickness")[0] == 0


def test_test_pours_in_millimetres_are_refused(run: Run, tmp_path: Path) -> None:
    form = tmp_path / "form.csv"
    form.write_text("name,batch_g,thickness_cm,dose_cm:gorse,L,a,b\nfirst,500,10,2,60,10,40\n")
    with pytest.raises(sm.PourError, match=r"line 2: thickness_cm is 10 cm.*it is 1 cm") as found:
        sm.read_test_pours(form, pour=sm.Pour(batch_g=100))
    assert "any_thickness=True" in found.value.remedy
    (bar,) = sm.read_test_pours(form, any_thickness=True, pour=sm.Pour(batch_g=100))
    assert bar.pour.thickness_cm == 10
    with pytest.raises(sm.PourError, match="first: thickness_cm is 10 cm"):
        sm.calibrate([bar])
    status, _, err = run("calibrate", str(form))
    assert status == 2 and "--any-thickness" in err


def test_json_of_a_bar_says_its_thickness(run: Run) -> None:
    told = json.loads(run("predict", "gorse=2", "--thickness", "20mm", "--json")[1])
    assert told["pour"]["thickness_cm"] == 2.0
