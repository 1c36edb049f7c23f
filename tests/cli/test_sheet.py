"""The verbs sheet, repeat and pot, and what match keeps."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.matching.match import Match
from shadematch.studio.palette import INVENTED
from shadematch.support.cautions import CAUTIONS

Run = Callable[..., tuple[int, str, str]]
ASKED = ("#a34fb0", "--batch", "250", "--thickness", "2")


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str, str]:
        status = main(words)
        out, err = capsys.readouterr()
        return status, out, err

    return call


@pytest.fixture
def found() -> Match:
    return sm.match("#a34fb0", pour=sm.Pour(batch_g=250, thickness_cm=2))


def unboxed(match: Match | None) -> Match:
    """Without the number of boxes, which depends on what was asked before."""
    assert match is not None
    return dataclasses.replace(match, boxes=0)


def test_match_keeps(run: Run, found: Match) -> None:
    status, out, _ = run("match", *ASKED, "--save", "o.json", "--note", "für dich")
    assert status == 0
    assert "saved in o.json" in out
    saved = sm.read("o.json")
    assert unboxed(saved.match) == unboxed(found)
    assert saved.note == "für dich"
    status, out, _ = run("match", *ASKED, "--save", "p.json", "--json")
    assert (status, json.loads(out)["delta_e"]) == (0, found.delta_e)
    assert unboxed(sm.read("p.json").match) == unboxed(found)


def test_repeat(run: Run, found: Match) -> None:
    run("match", *ASKED, "--save", "o.json")
    status, out, _ = run("repeat", "o.json")
    assert status == 0
    assert str(sm.repeat("o.json")) in out
    assert all(text in out for text in CAUTIONS)
    name = next(iter(found.recipe.doses))
    data = found.palette.model_dump(mode="json")
    data["pigments"][found.palette.index(name)]["absorption"][15] *= 3
    sm.save(sm.Palette(**data), "now.json")
    again = sm.repeat("o.json", palette=sm.read("now.json", sm.Palette))
    status, out, _ = run("repeat", "o.json", "--palette", "now.json")
    assert status == 0
    assert again.sentence in out
    status, out, _ = run("repeat", "o.json", "--palette", "now.json", "--json")
    told = json.loads(out)
    assert status == 0
    assert told["changed"] == [name]
    assert (told["same"], told["delta_e"]) == (False, again.delta_e)
    assert told["then"]["hex"] == found.predicted.hex
    assert told["then"]["fingerprint"] == found.palette.fingerprint
    assert again.predicted is not None
    assert told["now"]["lab"] == list(again.predicted.lab)
    assert told["now"]["delta_e"] == again.to_target
    sm.save(found.palette.without(name), "less.json")
    status, out, _ = run("repeat", "o.json", "--palette", "less.json", "--json")
    assert (status, json.loads(out)["now"], json.loads(out)["missing"]) == (0, None, [name])


def test_sheet_of_a_colour_and_of_a_file(run: Run, found: Match) -> None:
    page = ("--title", "Order 3", "--date", "May", "--bars", "2", "--bar", "100", "--loss", "0.1")
    expected = sm.batch_sheet(found, title="Order 3", date="May", bars=2, bar_g=100.0, loss=0.1)
    status, out, _ = run("sheet", *ASKED, *page)
    assert (status, out) == (0, expected.text)
    run("match", *ASKED, "--save", "o.json")
    status, out, _ = run("sheet", "--recipe", "o.json", *page, "--save", "s.html")
    assert (status, out) == (0, f"saved in s.html\n\n{INVENTED}\n")
    assert Path("s.html").read_text(encoding="utf-8") == expected.html
    status, out, _ = run("sheet", "--recipe", "o.json", *page, "--save", "s.txt", "--json")
    told = json.loads(out)
    assert (status, told["saved"], told["title"]) == (0, "s.txt", "Order 3")
    assert Path("s.txt").read_text(encoding="utf-8") == told["text"] == expected.text
    assert told["html"] == expected.html


def test_sheet_of_the_closest_and_of_another_pot(run: Run, found: Match) -> None:
    looks = sm.in_the_pot(found.closest.recipe, depth_cm=3, pot="white", drop_mm=2)
    expected = sm.batch_sheet(found, choice=found.closest, looks=looks)
    more = ("--closest", "--depth", "3", "--pot", "white", "--drop", "2")
    assert run("sheet", *ASKED, *more) == (0, expected.text, "")


def test_sheet_of_a_recipe_that_has_changed(run: Run, found: Match) -> None:
    run("match", *ASKED, "--save", "o.json")
    data = found.palette.model_dump(mode="json")
    data["clear"]["absorption"] = [v + 0.5 for v in data["clear"]["absorption"]]
    sm.save(sm.Palette(**data), "now.json")
    status, out, _ = run("sheet", "--recipe", "o.json", "--palette", "now.json")
    assert status == 0
    assert "NOTE WELL: The palette has changed since: clear base differs." in out
    name = next(iter(found.recipe.doses))
    sm.save(found.palette.without(name), "less.json")
    status, out, err = run("sheet", "--recipe", "o.json", "--palette", "less.json")
    assert (status, out) == (2, "")
    assert f"no longer has {name}" in err


def test_pot(run: Run) -> None:
    line = ("pot", "gorse=2", "kelp=1", "--batch", "300", "--depth", "5", "--pot", "0.3")
    looks = sm.in_the_pot({"gorse": 2, "kelp": 1}, pour=sm.Pour(batch_g=300), depth_cm=5, pot=0.3)
    status, out, _ = run(*line)
    assert status == 0
    assert str(looks) in out
    assert all(text in out for text in CAUTIONS)
    status, out, _ = run(*line, "--json")
    told = json.loads(out)
    assert status == 0
    for place in ("pot", "drop", "bar"):
        assert told[place]["lab"] == list(getattr(looks, place).lab)
    assert told["pot_delta_e"] == looks.pot_delta_e
    assert (told["bottom"], told["depth_cm"], told["drop_mm"]) == (0.3, 5.0, 3.0)


@pytest.mark.parametrize("verb", ["sheet", "repeat", "pot"])
def test_help(run: Run, verb: str) -> None:
    status, out, err = run(verb, "--help")
    assert (status, err) == (0, "")
    assert out.startswith(f"usage: shadematch {verb}")


BAD = [
    ("match #a34fb0 --note hi", ("--note", "no meaning without --save")),
    ("sheet --recipe o.json --region 0,0,1,1", ("--region", "saved recipe already")),
    ("lights --recipe o.json --target-observer 10", ("--target-observer", "saved recipe already")),
    ("match #a34fb0 --save no/o.json", ("--save", "can't be written")),
    ("repeat", ("FILE",)),
    ("repeat no.json", ("recipe file", "can't be read")),
    ("repeat bad.json", ("bad.json: format", "recipe")),
    ("repeat newer.json", ("newer.json: version", "newer shadematch", "got 7")),
    ("repeat o.json --palette no.json", ("palette file", "can't be read")),
    ("sheet", ("HEX", "say what is poured", "--recipe")),
    ("sheet --recipe no.json", ("recipe file", "can't be read")),
    ("sheet #a34fb0 --recipe o.json", ("HEX", "saved recipe already")),
    ("sheet --recipe o.json --batch 20", ("--batch", "saved recipe already", "20")),
    ("sheet --recipe o.json --through", ("--through", "saved recipe already")),
    ("sheet --recipe o.json --target-illuminant A", ("--target-illuminant",)),
    ("sheet --recipe o.json --closest", ("--closest",)),
    ("sheet #a34fb0 --save s.pdf", ("--save", "s.pdf", ".html")),
    ("sheet #a34fb0 --save no/s.txt", ("--save", "can't be written")),
    ("sheet #a34fb0 --bars 0", ("--bars", "got 0")),
    ("sheet #a34fb0 --bar 5000", ("--bars", "Melt at least")),
    ("sheet #a34fb0 --bar -1", ("--bar", "-1")),
    ("sheet #a34fb0 --loss 1", ("--loss", "got 1.0")),
    ("sheet #a34fb0 --depth 0", ("--depth", "got 0.0")),
    ("sheet #a34fb0 --drop 500", ("--drop", "got 500.0")),
    ("pot gorse=1 --pot copper", ("--pot", "steel, white, black", "copper")),
    ("pot gorse=1 --pot 3", ("--pot", "got 3.0")),
    ("pot ink=1", ("no such pigment", "ink")),
]


@pytest.mark.parametrize(("line", "parts"), BAD, ids=[line for line, _ in BAD])
def test_bad_input(run: Run, line: str, parts: tuple[str, ...]) -> None:
    sm.save(sm.predict({"gorse": 1}, pour=sm.Pour(batch_g=100)), "o.json")
    Path("bad.json").write_text('{"format": "shadematch palette", "version": 1}', encoding="utf-8")
    Path("newer.json").write_text('{"format": "shadematch recipe", "version": 7}', encoding="utf-8")
    before = {path.name for path in Path().iterdir()}
    status, out, err = run(*line.split())
    assert (status, out) == (2, "")
    assert err.startswith("shadematch: error: ")
    assert err.count("\n") == 1
    for part in parts:
        assert part in err
    assert {path.name for path in Path().iterdir()} == before


def test_notes_cant_steer_the_terminal(run: Run) -> None:
    sm.save(
        sm.predict({"gorse": 1}, pour=sm.Pour(batch_g=100)), "o.json", note="a\x1b[2Jb\x9b31m\u202e"
    )
    for line in (("sheet", "--recipe", "o.json"), ("repeat", "o.json")):
        status, out, _ = run(*line)
        assert status == 0
        assert "[2Jb" in out
        assert not set("\x1b\x9b\u202e") & set(out)


@pytest.mark.parametrize(
    ("line", "option"),
    [
        ("calibrate form.csv --save form.csv", "--save"),
        ("calibrate form.csv --save-palette ./form.csv", "--save-palette"),
        ("calibrate form.csv --save new.json --save-palette new.json", "--save"),
        ("match #d9822b --palette mine.json --save mine.json", "--save"),
        ("same-look --recipe o.json --to-thickness 1 --save link.json", "--save"),
        ("sheet --recipe page.html --save page.html", "--save"),
        ("correct --recipe o.json --measured 60 30 60 --save o.json", "--save"),
        ("photo bar.png --save bar.png", "--save"),
    ],
)
def test_nothing_is_written_over_what_is_read(
    run: Run, tmp_path: Path, line: str, option: str
) -> None:
    names = ("form.csv", "mine.json", "o.json", "page.html", "bar.png")
    for name in names:
        Path(name).write_text(f"mine: {name}")
    Path("link.json").symlink_to("o.json")
    status, out, err = run(*line.split())
    assert (status, out) == (2, "")
    assert f"error: {option}: is needed for something else here" in err, err
    assert all(Path(name).read_text() == f"mine: {name}" for name in names)
    assert {p.name for p in tmp_path.iterdir()} == {*names, "link.json"}
