"""Saved recipes: what comes back, what is refused, and what a changed palette says."""

from __future__ import annotations

import copy
import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

import shadematch as sm
from shadematch.cli.main import main
from shadematch.keeping.saved import SavedRecipe, kept
from shadematch.matching.match import Match
from shadematch.studio.palette import fingerprint_of
from tests.invented.problems import altered, invented_palette

pytestmark = pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")

NAMES = sm.demo_palette().names


# --- what comes back


def test_a_match_comes_back_whole(match: Match, saved: Path) -> None:
    got = sm.read(saved)
    assert got.match == match
    assert got == kept(match, note="für die Fähre\nשתי שורות")
    assert (got.recipe, got.delta_e, got.target) == (match.recipe, match.delta_e, match.target)
    assert got.lab == match.predicted.lab
    assert got.palette == match.palette
    # The match is not a mere copy of its numbers: it answers questions, as the first one did.
    assert got.match is not None
    assert got.match.ideal.delta_e == pytest.approx(match.ideal.delta_e, abs=1e-6)
    assert got.match.verdict.limit == match.verdict.limit
    assert got.match.choices == match.choices
    assert str(got.match) == str(match)


def test_the_same_question_gives_the_saved_answer(saved: Path) -> None:
    then = sm.read(saved)
    assert then.target is not None
    again = sm.match(
        then.target,
        palette=then.palette,
        pour=then.recipe.pour,
        view=then.view,
        max_pigments=3,
        must_avoid=["kelp"],
    )
    # How many boxes a proof takes depends on what was asked before.
    assert then.match is not None
    assert dataclasses.replace(again, boxes=0) == dataclasses.replace(then.match, boxes=0)


def test_another_choice_of_a_match(match: Match, tmp_path: Path) -> None:
    for choice in (match.closest, *match.choices):
        sm.save(match, tmp_path / "c.json", choice=choice, replace=True)
        got = sm.read(tmp_path / "c.json")
        assert (got.recipe, got.delta_e) == (choice.recipe, choice.delta_e)
        assert got.lab == choice.predicted.lab
        assert got.match == match


def test_a_measured_target_keeps_its_spectrum(tmp_path: Path) -> None:
    waves = np.arange(400, 701, 10)
    target = sm.Target.from_reflectance(waves, 0.1 + 0.5 * (waves > 560))
    sm.save(sm.match(target, pour=sm.Pour(batch_g=100)), tmp_path / "m.json")
    got = sm.read(tmp_path / "m.json").target
    assert got is not None
    assert target.reflectance is not None
    assert got.reflectance is not None
    assert np.array_equal(got.reflectance, target.reflectance)
    assert not got.reflectance.flags.writeable
    lamp = sm.View(illuminant="A")
    assert np.array_equal(got.lab_in(lamp), target.lab_in(lamp))


def test_recipe_prediction_and_saved_recipe(saved: Path, tmp_path: Path) -> None:
    view = sm.View(backing=0.5, contact="wet", illuminant="FL11", observer="10")
    palette = altered(sm.demo_palette(), "dusk", 0.5)
    doses = {"kelp": 1.0, "dusk": 2.5, "gorse": 0.0}
    recipe = sm.Recipe(doses, sm.Pour(batch_g=80, white=0.3, dose_step=0.5))
    sm.save(recipe, tmp_path / "r.json", palette=palette, view=view)
    got = sm.read(tmp_path / "r.json")
    assert dict(got.recipe.doses) == {"dusk": 2.5, "kelp": 1.0}  # palette order, no zeros
    seen = sm.predict(doses, palette=palette, pour=recipe.pour, view=view)
    assert (got.lab, got.hex, got.in_srgb) == (seen.lab, seen.hex, seen.in_srgb)
    assert (got.target, got.match, got.delta_e) == (None, None, None)
    sm.save(seen, tmp_path / "p.json", palette=palette)
    assert sm.read(tmp_path / "p.json") == got
    sm.save(sm.read(saved), tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == saved.read_bytes()


grams = st.floats(0.1, 100_000, allow_nan=False)
pours = st.builds(
    sm.Pour,
    batch_g=grams,
    thickness_cm=st.floats(0.01, 100),
    white=st.floats(0, 1),
    max_load=st.floats(0.001, 1000),
    dose_step=st.sampled_from([0.25, 0.5, 1.0, 2.0, 0.1]),
)
views = st.builds(
    sm.View,
    illuminant=st.sampled_from(["D65", "A", "D50", "FL2"]),
    observer=st.sampled_from(["2", "10"]),
    backing=st.sampled_from(["white", "black"])
    | st.floats(0, 1)
    | st.lists(st.floats(0, 1), min_size=36, max_size=36),
    contact=st.sampled_from(["dry", "wet"]),
    through=st.booleans(),
)
notes = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.dictionaries(st.sampled_from(NAMES), st.floats(0, 1e7)), pours, views, notes)
def test_any_recipe_comes_back(
    tmp_path: Path, doses: dict[str, float], pour: sm.Pour, view: sm.View, note: str
) -> None:
    recipe = sm.Recipe(doses, pour)
    sm.save(recipe, tmp_path / "r.json", view=view, note=note, replace=True)
    got = sm.read(tmp_path / "r.json")
    assert got == kept(recipe, view=view, note=note)
    again = sm.repeat(got)
    assert again.same
    assert again.delta_e == 0.0


@pytest.mark.parametrize("seed", range(12))
def test_any_match_comes_back(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    palette = invented_palette(rng, int(rng.integers(1, 5)))
    pour = sm.Pour(
        batch_g=float(rng.uniform(60, 300)),
        white=float(rng.choice([0.0, rng.uniform()])),
        dose_step=float(rng.choice([0.1, 0.5, 1.0])),
    )
    lab = (float(rng.uniform(20, 90)), *map(float, rng.uniform(-30, 30, 2)))
    target = sm.Target.from_lab(lab, illuminant="D50", observer="10")
    found = sm.match(target, palette=palette, pour=pour, tolerance=float(rng.uniform(0, 2)))
    sm.save(found, tmp_path / "m.json")
    got = sm.read(tmp_path / "m.json")
    assert got == kept(found)
    assert got.match is not None
    assert got.match.predicted.lab == found.predicted.lab


def test_let_downs_and_lights_come_back(tmp_path: Path) -> None:
    let_downs = [sm.LetDown.made(n, paste=1, base_g=40) for n in ("rosehip", "dusk")]
    found = sm.match(
        "#f3dfe6",
        pour=sm.Pour(batch_g=60),
        let_downs=let_downs,
        lights=["D65", "A"],
    )
    assert found.recipe.weighed
    sm.save(found, tmp_path / "l.json")
    got = sm.read(tmp_path / "l.json")
    assert got == kept(found)
    assert got.recipe.weighed == found.recipe.weighed
    assert got.match is not None
    assert got.match._question.by_light(got.match.frugal) == found._question.by_light(found.frugal)
    assert got.match.ideal.delta_e == pytest.approx(found.ideal.delta_e, abs=1e-6)
    again = sm.repeat(got)
    assert again.same
    data = json.loads((tmp_path / "l.json").read_text(encoding="utf-8"))
    for path, value, field in (
        (("recipe", "weighed", 0, "mass_g"), 1e5, "recipe.weighed"),
        (("recipe", "weighed", 0, "mass_g"), -1, "recipe.weighed.0.mass_g"),
        (("recipe", "weighed", 0, "let_down", "pigment"), "ink", "weighed"),
        (("match", "closest", "weighed", 0, "let_down", "pigment"), "ink", "closest.weighed"),
        (("match", "lights", 0), "candle", "lights"),
        (("match", "let_downs"), [], "match.frugal"),
    ):
        broken = copy.deepcopy(data)
        put(broken, path, value)
        (tmp_path / "b.json").write_text(json.dumps(broken), encoding="utf-8")
        with pytest.raises(sm.FileError) as error:
            sm.read(tmp_path / "b.json")
        assert error.value.field.endswith(field)


# --- a palette that has changed


def test_doses_that_do_not_give_the_kept_colour_are_refused(saved: Path) -> None:
    data = json.loads(saved.read_text(encoding="utf-8"))
    doses, pour = data["recipe"]["doses"], data["recipe"]["pour"]
    name = next(iter(doses))
    for part, entry, other in (
        ("recipe", "doses", doses | {name: doses[name] + 1}),
        ("recipe", "pour", pour | {"thickness_cm": pour["thickness_cm"] + 1}),
        (None, "lab", [40.0, 0.0, 0.0]),
    ):
        spoilt = json.loads(json.dumps(data))
        (spoilt if part is None else spoilt[part])[entry] = other
        saved.write_text(json.dumps(spoilt), encoding="utf-8")
        with pytest.raises(sm.FileError, match="is not the colour of these doses"):
            sm.read(saved)


def test_fingerprint() -> None:
    palette = sm.demo_palette()
    # Worked out beforehand with another program: printf of the JSON text, then sha256sum.
    assert fingerprint_of({"b": [1.5, 0.0], "a": "x"}) == "efa2-ab48-7eb3"
    assert len(palette.fingerprint) == 14
    data = palette.model_dump(mode="json")
    data["pigments"].reverse()
    data["note"] = "other"
    for pigment in data["pigments"]:
        pigment["tube_price"], pigment["tube_size"] = 1.0, 2.0
        pigment["scattering"] = [0.0] * 36  # as good as none
    assert sm.Palette(**data).fingerprint == palette.fingerprint
    seen = {palette.fingerprint, palette.without("kelp").fingerprint}
    seen |= {altered(palette, name, 1 + 1e-12).fingerprint for name in palette.names}
    data["pigments"][0]["scattering"][3] = 0.1
    seen.add(sm.Palette(**data).fingerprint)
    data["pigments"][0]["name"] = "heather"
    seen.add(sm.Palette(**data).fingerprint)
    data["clear"]["scattering"][0] += 1e-9
    seen.add(sm.Palette(**data).fingerprint)
    assert len(seen) == 10


def test_drawn(match: Match, saved: Path) -> None:
    got = sm.read(saved)
    for words in (match.target.hex, match.predicted.hex, match.proof, got.palette.fingerprint):
        assert words in str(got)
        assert words in got._repr_html_()
    sm.save(got, saved, note="<script>", replace=True)
    assert "<script>" not in sm.read(saved)._repr_html_()


def test_numbers_of_numpy(tmp_path: Path) -> None:
    target = sm.Target(tuple(np.array([40.0, 20.0, -20.0], dtype=np.float32)))
    found = sm.match(
        target, tolerance=np.float64(0.3), max_pigments=np.int64(2), pour=sm.Pour(batch_g=100)
    )  # type: ignore[arg-type]
    sm.save(found, tmp_path / "n.json")
    assert sm.read(tmp_path / "n.json") == kept(found)


# --- what is refused


def test_what_cant_be_read_again_is_not_written(tmp_path: Path) -> None:
    found = sm.match(sm.Target((500.0, 0.0, 0.0)), pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.ColourError, match="no surface") as error:
        sm.save(found, tmp_path / "x.json")
    assert error.value.field == "target.lab"
    assert list(tmp_path.iterdir()) == []


BROKEN: list[tuple[tuple[str, ...], Any]] = [
    (("library",), 3),
    (("note",), None),
    (("note",), "n" * 10_001),
    (
        (
            "recipe",
            "doses",
        ),
        [],
    ),
    (("recipe", "doses", "gorse"), -1.0),
    (("recipe", "doses", "gorse"), "3"),
    (("recipe", "doses", "gorse"), True),
    (("recipe", "doses", "gorse"), 10**400),
    (("recipe", "doses", "ink"), 1.0),
    (("recipe", "pour", "batch_g"), 0),
    (("recipe", "pour", "white"), 1.5),
    (("recipe", "pour", "colour"), 1),
    (
        (
            "recipe",
            "pour",
        ),
        "1 kg",
    ),
    (("view", "illuminant"), "candle"),
    (("view", "backing"), 2),
    (("view", "through"), "any"),
    (("lab",), [1, 2]),
    (("lab",), [1, 2, 3, 4]),
    (("lab",), [1, 2, 1e9]),
    (("delta_e",), -1),
    (("target", "lab"), None),
    (("target", "observer"), "5"),
    (("target", "reflectance"), [0.5] * 35),
    (("target", "reflectance"), [1.5] * 36),
    (("match", "tolerance"), "0.5"),
    (("match", "bound"), 1e6),
    (("match", "proved"), 1),
    (("match", "boxes"), 1.5),
    (("match", "max_pigments"), 0),
    (("match", "must_use"), ["ink"]),
    (("match", "closest", "doses"), {"gorse": 0.3}),
    (("match", "frugal", "delta_e"), None),
    (("palette", "fingerprint"), "0000-0000-0000"),
    (("palette",), {}),
    (("palette", "wavelengths_nm"), None),
    (("palette", "note"), 3),
    (("extra",), 1),
]


def put(data: Any, path: tuple[Any, ...], value: Any) -> None:
    for key in path[:-1]:
        data = data[key]
    data[path[-1]] = value


@pytest.mark.parametrize(("path", "value"), BROKEN)
def test_wrong_entries_are_named(saved: Path, path: tuple[str, ...], value: Any) -> None:
    data = json.loads(saved.read_text(encoding="utf-8"))
    put(data, path, value)
    saved.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(sm.FileError) as found:
        sm.read(saved)
    assert found.value.field.startswith(f"{saved}: ")
    assert found.value.problem
    assert found.value.remedy


def test_missing_entries_are_named(saved: Path) -> None:
    data = json.loads(saved.read_text(encoding="utf-8"))
    for part in ((), ("recipe",), ("match",)):
        inner = data
        for key in part:
            inner = inner[key]
        for key in inner.keys() - {"robust", "weighed"}:
            broken = copy.deepcopy(data)
            owner = broken
            for step in part:
                owner = owner[step]
            del owner[key]
            saved.write_text(json.dumps(broken), encoding="utf-8")
            with pytest.raises(sm.FileError) as found:
                sm.read(saved)
            assert found.value.field.endswith(".".join((*part, key)))


def test_a_newer_file_is_refused_with_a_reason(saved: Path) -> None:
    data = json.loads(saved.read_text(encoding="utf-8"))
    # What a newer version has added must not be what it stumbles over.
    saved.write_text(json.dumps({**data, "version": 2, "pigment_lots": []}), encoding="utf-8")
    with pytest.raises(sm.FileError, match=r"written by a newer shadematch \(got 2\)"):
        sm.read(saved)


def test_nan_and_twice_and_other_files(saved: Path, tmp_path: Path) -> None:
    text = saved.read_text(encoding="utf-8")
    saved.write_text(text.replace('"version": 1', '"version": 1, "version": 1', 1))
    with pytest.raises(sm.FileError, match="twice"):
        sm.read(saved)
    saved.write_text(text.replace('"white": 0.1', '"white": NaN', 1))
    with pytest.raises(sm.FileError, match=r"recipe\.pour\.white: must be a finite number"):
        sm.read(saved)
    for old, entry in (("lab", "json: lab.0"), ("absorption", "pigments.0.absorption")):
        saved.write_text(re.sub(rf'("{old}": \[\s*)[-0-9.e]+', r"\1-Infinity", text, count=1))
        with pytest.raises(sm.FileError) as found:
            sm.read(saved)
        assert found.value.field.endswith(entry)
    sm.save(sm.demo_palette(), saved, replace=True)
    with pytest.raises(sm.FileError, match="must be that of a recipe file"):
        sm.read(saved, SavedRecipe)
    with pytest.raises(sm.FileError, match="can't be read"):
        sm.read(tmp_path / "none.json")


@dataclasses.dataclass(frozen=True)
class Richer(sm.Recipe):
    """A recipe with something that the file has no place for."""

    blessed: tuple[str, ...] = ()


def test_nothing_is_lost_silently(tmp_path: Path) -> None:
    plain = Richer({"gorse": 1.0}, sm.Pour(batch_g=100))
    sm.save(plain, tmp_path / "r.json")
    assert sm.read(tmp_path / "r.json").recipe == sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=100))
    with pytest.raises(sm.PourError, match="can't be saved or printed yet") as found:
        sm.save(
            Richer({"gorse": 1.0}, sm.Pour(batch_g=100), (), "cm", ("twice",)), tmp_path / "r.json"
        )
    assert found.value.field == "blessed"


PHOTO = Path(__file__).parents[2] / "data" / "photos" / "window.jpg"
REGION, PAPER = (0.70, 0.15, 0.95, 0.60), (0.08, 0.78, 0.55, 0.95)


@pytest.mark.parametrize("neutral", [PAPER, None])
def test_a_match_for_a_photo_is_kept(
    tmp_path: Path, neutral: tuple[float, float, float, float] | None
) -> None:
    target = sm.read_photo(PHOTO, region=REGION, neutral=neutral).target
    match = sm.match(target, pour=sm.Pour(batch_g=500, thickness_cm=1.5))
    place = tmp_path / "window.json"
    sm.save(match, place)
    again = sm.read(place)
    assert again.target is not None
    assert type(again.target) is sm.Target
    assert again.target.lab == target.lab
    assert again.target.covariance == target.covariance
    assert again.target.source == target.source
    assert again.match is not None
    assert again.match.tolerance == match.tolerance
    assert again.recipe == match.recipe
    assert again == kept(match)
    assert again.target.hex in sm.batch_sheet(match).html
    now = sm.repeat(again)
    assert now.delta_e == 0.0
    assert now.to_target == pytest.approx(match.delta_e, abs=1e-9)
    # Whoever sees the file does not see where the photo came from.
    assert "window.jpg" not in place.read_text(encoding="utf-8")


def test_a_photo_is_kept_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place, sheet = tmp_path / "window.json", tmp_path / "window.html"
    words = ["--region", "0.70,0.15,0.95,0.60", "--neutral", "0.08,0.78,0.55,0.95"]
    assert (
        main(["match", "--photo", str(PHOTO), *words, "--batch", "500", "--save", str(place)]) == 0
    )
    assert main(["sheet", "--recipe", str(place), "--save", str(sheet)]) == 0
    assert capsys.readouterr().err == ""
    assert sheet.exists()


def test_doses_in_any_order(saved: Path) -> None:
    before = sm.read(saved)
    data = json.loads(saved.read_text(encoding="utf-8"))
    doses = data["recipe"]["doses"]
    data["recipe"]["doses"] = {"kelp": 0, **dict(reversed(doses.items()))}
    saved.write_text(json.dumps(data), encoding="utf-8")
    assert list(sm.read(saved).recipe.doses) == list(before.recipe.doses)
    assert sm.read(saved) == before


def test_parts_that_dont_fit(match: Match, tmp_path: Path) -> None:
    place = tmp_path / "no.json"
    seen = sm.predict({"gorse": 1}, pour=sm.Pour(batch_g=100))
    other = altered(sm.demo_palette(), "gorse", 2)
    for result, more, field in (
        (match, {"palette": other}, "palette"),
        (match, {"view": sm.View(illuminant="A")}, "view"),
        (match, {"choice": sm.match("#ff8800", pour=sm.Pour(batch_g=100)).closest}, "choice"),
        (seen, {"choice": match.closest}, "choice"),
        (seen, {"palette": other}, "palette"),
        (seen, {"view": sm.View(illuminant="A")}, "view"),
        (seen, {"note": 3}, "note"),
        (seen, {"note": "n" * 10_001}, "note"),
        ("#ff8800", {}, "thing"),
    ):
        with pytest.raises(sm.PourError) as found:
            sm.save(result, place, **more)  # type: ignore[arg-type]
        assert found.value.field == field
    with pytest.raises(sm.UnknownNameError):
        sm.save(sm.Recipe({"ink": 1.0}, sm.Pour(batch_g=100)), place)
    with pytest.raises(sm.PourError, match="a broken character"):
        sm.save(seen, place, note="\ud800")
    assert not place.exists()


def test_what_is_weighed_is_shown_as_weighed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to_hand = [sm.LetDown.made("rosehip", paste=1, base_g=25)]
    sm.save(sm.match("#f4e0e4", let_downs=to_hand, pour=sm.Pour(batch_g=100)), tmp_path / "a.json")
    again = sm.repeat(tmp_path / "a.json")
    (part,) = again.saved.recipe.weighed
    shown = str(part)
    assert shown.startswith(f"{part.mass_g:g} g rosehip let-down")
    for drawn in (again.saved._repr_html_(), again._repr_html_()):
        assert shown in drawn
        assert f"{again.saved.recipe.doses['rosehip']:g} cm rosehip" not in drawn
    assert main(["repeat", str(tmp_path / "a.json"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["weighed"][0]["mass_g"] == part.mass_g
    assert told["from_tubes"] == again.saved.recipe.from_tubes


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("recipe.pour", 3, "recipe.pour: must hold named entries"),
        ("recipe.doses", [1], "recipe.doses: must hold named entries"),
        ("recipe", [], "recipe: must hold named entries"),
        ("match.proved", 1, "match.proved: must be true or false"),
        ("lab", [1, 2, 3, 4], "lab: has 4 entries .* Give 3 at most"),
        ("fingerprint", "#12", "fingerprint: is not known here"),
        ("match.boxes", 1.5, "match.boxes: must be a whole number"),
    ],
)
def test_what_is_wrong_with_an_entry_is_said_in_plain_words(
    saved: Path, path: str, value: object, said: str
) -> None:
    content = json.loads(saved.read_text("utf-8"))
    *above, last = path.split(".")
    part = content
    for name in above:
        part = part[name]
    part[last] = value
    saved.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(sm.FileError, match=said) as found:
        sm.read(saved)
    assert found.value.remedy and "input should" not in str(found.value).lower()
