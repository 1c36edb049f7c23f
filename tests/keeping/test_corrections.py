"""A batch between two rounds of correction, kept in a file; and the same on the command line."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.correction.results import Correction

RECIPE = sm.Recipe({"gorse": 2.0, "rosehip": 2.0, "dusk": 1.0}, sm.Pour(batch_g=200))
WANTED = "#98222a"
FIRST, SECOND = (31.0, 50.4, 29.0), (32.5, 49.4, 26.5)


def first(**more: object) -> Correction:
    return sm.correct(RECIPE, FIRST, WANTED, strength_spread=0.2, **more)  # type: ignore[arg-type]


def test_a_second_round_knows_what_the_first_learned(tmp_path: Path) -> None:
    place = tmp_path / "batch.json"
    one = first()
    sm.save(one, place)
    back = sm.read(place)
    assert back == one
    assert back.strengths == one.strengths
    here, there = (sm.correct(c, SECOND, WANTED) for c in (one, back))
    assert here == there and here.rounds[0].taken == one.advice
    # What was learned first matters: it is not unlearned, and without it the batch is judged
    # otherwise.
    before = {s.name: s.sd for s in one.strengths}
    assert all(s.sd < before[s.name] for s in here.strengths)
    fresh = sm.correct(here.recipe, SECOND, WANTED, strength_spread=0.2)
    assert abs(fresh.believed_delta_e - here.believed_delta_e) > 0.02
    # And a third round, in the same file.
    sm.save(there, place, replace=True)
    again = sm.read(place)
    assert again == there and len(again.rounds) == 2


def test_what_was_added_instead_is_kept(tmp_path: Path) -> None:
    place = tmp_path / "batch.json"
    one = first(must_avoid=["dusk"], bases=["clear", "white"]).added({"kelp": 1}, clear_g=50)
    sm.save(one, place)
    back = sm.read(place)
    assert back == one and back.made == one.made
    assert sm.correct(back, SECOND, WANTED).recipe.doses["kelp"] == 1.0
    # A measurement with an uncertainty of its own, and a target that is a spectrum.
    shape = sm.Target.from_reflectance(
        list(range(400, 701, 20)), [0.1 + 0.03 * i for i in range(16)]
    )
    spectral = sm.correct(RECIPE, FIRST, shape)
    sm.save(spectral, place, replace=True)
    assert sm.read(place) == spectral


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"version": 2}, "newer shadematch"),
        ({"format": "shadematch soap"}, "not known to this library"),
        ({"strengths": {"gorse": -1}}, "strengths: is not known here"),  # they follow
        (
            {"recipe": {"doses": {"gorse": 1.0}, "pour": {"batch_g": 200}, "unit": "g"}},
            "is in g",
        ),
        ({"made": [1.0]}, "made: needs one entry for each let-down"),
        ({"rounds": []}, "rounds"),
        ({"extra": 1}, "extra"),
        ({"priors": {}}, "priors"),
        ({"recipe": {"doses": {"ink": 1}, "pour": {"batch_g": 200}, "unit": "cm"}}, "ink"),
        (
            {"recipe": {"doses": {"gorse": 1e308}, "pour": {"batch_g": 200}, "unit": "cm"}},
            "recipe.doses.gorse",
        ),
    ],
)
def test_files_that_are_refused(tmp_path: Path, change: dict[str, object], said: str) -> None:
    place = tmp_path / "batch.json"
    sm.save(first(), place)
    place.write_text(json.dumps(json.loads(place.read_text()) | change))
    with pytest.raises(sm.FileError, match=said) as found:
        sm.read(place)
    assert found.value.remedy


def test_rounds_that_are_refused(tmp_path: Path) -> None:
    place = tmp_path / "batch.json"
    sm.save(first(), place)
    content = json.loads(place.read_text())
    nothing = {"doses": {}, "clear_g": 0.0, "white_g": 0.0}
    for where, entry, value, said in (
        ("asked", "covariance", [[1, 2, 0], [2, 1, 0], [0, 0, 1]], "not a covariance"),
        ("asked", "covariance", [[0, 0, 0], [0, 0, 0], [0, 0, 0]], "positive definite"),
        ("asked", "within", 1e308, "asked.within"),
        ("limits", "max_load", -1.0, "limits.max_load"),
        ("limits", "pot_g", 10.0, "is smaller than the batch"),
        ("limits", "bases", ["soap"], "limits.bases"),
        ("limits", "must_avoid", ["ink"], "no such pigment"),
        ("", "advice", nothing | {"doses": {"kelp": 0.5}}, "not a multiple"),
        ("", "advice", nothing | {"doses": {"kelp": -1.0}}, "not a multiple"),
        ("", "advice", nothing | {"doses": {"kelp": 500.0}}, "permitted by these limits"),
        ("", "advice", nothing | {"clear_g": 1e308}, "advice.clear_g"),
        ("", "advice", nothing, "is not near enough"),
        ("", "made", nothing | {"doses": {"kelp": -1.0}}, "kelp"),
        ("priors", "strength_spread", -1.0, "priors.strength_spread"),
        ("priors", "white_spread", 1e308, "priors.white_spread"),
        ("priors", "scale_g", 1e308, "scale_g"),
        ("priors", "model_spread", 21.0, "priors.model_spread"),
    ):
        spoilt = copy.deepcopy(content)
        own = spoilt["priors"] if where == "priors" else spoilt["rounds"][0]
        (own[where] if where in ("asked", "limits") else own)[entry] = value
        place.write_text(json.dumps(spoilt))
        with pytest.raises(sm.FileError, match=said):
            sm.read(place)
            pytest.fail(f"read although {entry} is {value}")


def run(*words: str) -> int:
    return main(list(words))


def test_rounds_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = str(tmp_path / "batch.json")
    poured = ["--poured", *(f"{n}={d:g}" for n, d in RECIPE.doses.items()), "--batch", "200"]
    measured = ["--measured", *map(str, FIRST)]
    assert run("correct", WANTED, *poured, *measured, "--save", place) == 0
    out = capsys.readouterr().out
    assert f"saved in {place}: add this" in out and "--go-on" in out
    again = ["correct", "--go-on", place, "--measured", *map(str, SECOND)]
    assert run(*again, "--save", place, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    by_hand = sm.correct(sm.correct(RECIPE, FIRST, WANTED), SECOND, WANTED)
    assert told["round"] == 2 and told["saved"] == place
    assert told["advice"]["delta_e"] == by_hand.advice.delta_e
    assert told["strengths"][0]["factor"] == by_hand.strengths[0].factor
    assert sm.read(place) == by_hand
    assert run(*again, "--added", "kelp=1", "--added-clear", "20", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    other = sm.correct(by_hand.added({"kelp": 1}, clear_g=20), SECOND, WANTED)
    assert told["believed"]["delta_e"] == other.believed_delta_e
    for words, field in (
        (["correct", *measured], "--poured"),
        (["correct", WANTED, *poured, "--go-on", place, *measured], "--poured"),
        (["correct", WANTED, "--go-on", place, *measured], "HEX"),
        (["correct", "--go-on", place, *measured, "--batch", "600"], "--batch"),
        (["correct", "--go-on", place, *measured, "--dose-slip", "0.1"], "--dose-slip"),
        (["correct", "--go-on", "/no/such", *measured], "--go-on"),
        (["correct", WANTED, *poured, *measured, "--added", "kelp=1"], "--added"),
        (["correct", WANTED, *poured, *measured, "--save", "/no/such/x"], "--save"),
        (["correct", WANTED, *poured, *measured, "--measured-region", "0,0,1,1"], "--measured-"),
        (["correct", WANTED, *poured, "--measured-photo", "x.jpg"], "--measured-region"),
    ):
        assert run(*words) == 2
        said = capsys.readouterr().err
        assert field in said, said


def test_a_kept_recipe_measured_in_a_photo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    image = pytest.importorskip("PIL.Image")
    order, photo = str(tmp_path / "order.json"), str(tmp_path / "bar.png")
    pour = sm.Pour(batch_g=500)
    match = sm.match(WANTED, pour=pour)
    sm.save(match, order)
    # The bar, a little dark, on half of a picture whose other half is paper.
    picture = image.new("RGB", (200, 100), (240, 240, 240))
    picture.paste((168, 100, 40), (0, 0, 100, 100))
    picture.save(photo)
    where = ["--measured-region", "10,10,90,90", "--measured-neutral", "110,10,190,90"]
    words = ["correct", "--recipe", order, "--measured-photo", photo, *where, "--anyway", "--json"]
    assert run(*words) == 0
    told = json.loads(capsys.readouterr().out)
    seen = sm.read_photo(photo, region="10,10,90,90", neutral=sm.Neutral("110,10,190,90"))
    by_hand = sm.correct(match.recipe, seen, WANTED)
    assert told["measured_delta_e"] == pytest.approx(by_hand.measured_delta_e, abs=1e-9)
    assert told["advice"]["doses"] == dict(by_hand.advice.doses)
    assert run(*words, "--thickness", "2") == 2
    assert "--thickness" in capsys.readouterr().err
