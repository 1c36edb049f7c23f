"""The command line: what it prints, and that no input ends in a traceback."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import shadematch as sm
from shadematch.cli import match as match_verb
from shadematch.support.cautions import CAUTIONS
from shadematch.support.files import enveloped

Run = Callable[..., tuple[int, str, str]]
WAVELENGTHS = range(380, 731, 10)


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of good and bad files, as the working folder."""
    monkeypatch.chdir(tmp_path)
    good = enveloped("palette", 1, sm.demo_palette().model_dump(mode="json"))
    first = good["pigments"][0]

    def palette(name: str, **changes: Any) -> None:
        (tmp_path / name).write_text(json.dumps({**good, **changes}), encoding="utf-8")

    def spectrum(name: str, value: Callable[[int], object], *, head: str = "") -> None:
        lines = [head, *(f"{x}, {value(x)}" for x in WAVELENGTHS)]
        (tmp_path / name).write_text("\n".join(lines) + "\n", encoding="utf-8")

    palette("good.json")
    palette("unpriced.json", pigments=[{**first, "name": "Grün", "tube_price": None}])
    palette("twice.json", pigments=[first, first])
    palette("none.json", pigments=[])
    palette("newer.json", version=2)
    palette("nan.json", pigments=[{**first, "absorption": [float("nan")] * 36}])
    palette("escape.json", pigments=[{**first, "name": "a\x1b[2Jb"}])
    (tmp_path / "empty.json").write_text("")
    (tmp_path / "text.json").write_text("three tubes of gorse\n")
    (tmp_path / "list.json").write_text("[]")
    (tmp_path / "other.json").write_text("{}")
    (tmp_path / "binary").write_bytes(bytes(range(256)))
    spectrum("good.csv", lambda x: 0.2 if x < 560 else 0.7, head="wavelength_nm,reflectance")
    spectrum("plain.csv", lambda x: 0.2 if x < 560 else 0.7)
    spectrum("percent.csv", lambda x: 50 + x / 100)
    spectrum("negative.csv", lambda x: -0.1 if x == 400 else 0.5)
    spectrum("word.csv", lambda x: "abc" if x == 390 else 0.5)
    spectrum("infinite.csv", lambda x: "inf" if x == 380 else 0.5)
    (tmp_path / "short.csv").write_text("".join(f"{x},0.5\n" for x in range(450, 660, 10)))
    (tmp_path / "falling.csv").write_text("400,0.5\n390,0.5\n")
    (tmp_path / "gap.csv").write_text("380,0.5\n730,0.5\n")
    (tmp_path / "header.csv").write_text("wavelength_nm,reflectance\n")
    (tmp_path / "large.csv").write_text("1" * 1_000_001)
    return tmp_path


def terminal(monkeypatch: pytest.MonkeyPatch, columns: int = 80) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.delenv("NO_COLOR", raising=False)


def python(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *words],
        capture_output=True,
        encoding="utf-8",
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        **options,
    )


# ---- what it prints ----


def test_match_says_all(run: Run) -> None:
    status, out, err = run("match", "#d9822b", "--batch", "500")
    m = sm.match("#d9822b", pour=sm.Pour(batch_g=500))
    assert (status, err) == (0, "")
    assert out.startswith(str(m))
    assert str(m.recipe) in out
    assert f"CIEDE2000  {m.delta_e:.2f}" in out
    assert m.verdict.sentence in out
    assert all(f"- {caution}\n" in out for caution in CAUTIONS)
    assert "\x1b" not in out


def test_match_choices(run: Run) -> None:
    status, out, _ = run("match", "#8a5a2b", "--batch", "300", "--choices")
    m = sm.match("#8a5a2b", pour=sm.Pour(batch_g=300))
    assert status == 0
    lines = out.splitlines()
    at = lines.index(next(line for line in lines if line.endswith("tubes  choice")))
    table = lines[at + 1 : at + 1 + len(m.choices)]
    for line, choice in zip(table, m.choices, strict=True):
        assert line.split()[0] == f"{choice.delta_e:.2f}"
        assert str(choice.recipe) in line
        # Numbers end where their heads end.
        assert line.index(" cm ") + 3 == lines[at].index("paste") + len("paste")


def test_match_json(run: Run) -> None:
    status, out, _ = run(
        "match", "#d9822b", "--batch", "500", "--dose-step", "0.5", "--json", "--choices"
    )
    assert status == 0
    found = json.loads(out)
    choice = {"doses", "unit", "proportions", "total", "load", "tubes", "delta_e", "predicted"}
    assert set(found) == choice | {
        *("target", "closest", "ideal", "choices", "bound", "proved", "frugal_proved"),
        *("tolerance", "verdict", "pour", "view", "cautions", "notices", "rule", "spread"),
    }
    assert found["rule"] == "nominal"
    assert found["spread"]["delta_e"] == pytest.approx(found["delta_e"], abs=1e-9)
    assert found["spread"]["median"] < found["spread"]["p90"]
    assert found["doses"]
    for entry in (found, found["closest"], *found["choices"]):
        assert all(2 * dose == round(2 * dose) for dose in entry["doses"].values())
    for entry in (found["closest"], found["ideal"], *found["choices"]):
        assert set(entry) == choice
    assert set(found["predicted"]) == {"lab", "xyz", "hex", "in_srgb"}
    assert set(found["target"]) == {
        *("lab", "hex", "source", "illuminant", "observer", "lab_in_view")
    }
    assert set(found["verdict"]) == {"limit", "sentence", "help"}
    assert found["target"]["hex"] == "#d9822b"
    assert found["cautions"] == list(CAUTIONS)
    assert found["pour"] == sm.Pour(batch_g=500, dose_step=0.5).model_dump()
    assert found["view"] == sm.View().model_dump()
    assert found["bound"] <= found["closest"]["delta_e"] <= found["delta_e"]


def test_match_takes_every_option(run: Run, files: Path) -> None:
    words = "--batch 400 --thickness 2 --white 0.25 --max-load 3 --dose-step 0.5 --illuminant A"
    words += " --observer 10 --backing 0.5 --contact wet --tolerance 1"
    words += " --max-pigments 2 --must-use gorse --must-use kelp --must-avoid dusk"
    words += " --target-illuminant D50 --target-observer 10 --palette good.json --json"
    status, out, err = run("match", "--lab", "60", "-20", "45", *words.split())
    assert (status, err) == (0, "")
    found = json.loads(out)
    pour = sm.Pour(batch_g=400, thickness_cm=2, white=0.25, max_load=3, dose_step=0.5)
    view = sm.View(illuminant="A", observer="10", backing=0.5, contact="wet")
    m = sm.match(
        sm.Target.from_lab((60, -20, 45), illuminant="D50", observer="10"),
        palette=sm.read(files / "good.json", sm.Palette),
        pour=pour,
        view=view,
        tolerance=1,
        max_pigments=2,
        must_use=("gorse", "kelp"),
        must_avoid=("dusk",),
    )
    assert found["doses"] == m.recipe.doses
    assert found["delta_e"] == pytest.approx(m.delta_e)
    assert found["pour"] == pour.model_dump()
    assert found["view"] == view.model_dump()


@pytest.mark.parametrize(
    "words",
    [
        ("--lab", "40", "-20", "-30"),
        ("--lab", "40", "-2e1", "-30."),
        ("--xyz", "20", "25", "40"),
        ("--xyz", "20", "25", "40", "--target-illuminant", "D50"),
        ("d9822b",),
        ("--spectrum", "good.csv"),
        ("--spectrum", "plain.csv"),
    ],
)
@pytest.mark.usefixtures("files")
def test_ways_to_give_a_target(run: Run, words: tuple[str, ...]) -> None:
    status, out, err = run("match", *words)
    assert (status, err) == (0, "")
    assert "CIEDE2000" in out


def test_spectrum_is_what_the_file_says(run: Run, files: Path) -> None:
    _, out, _ = run("match", "--spectrum", str(files / "good.csv"), "--json")
    target = sm.Target.from_reflectance(
        list(WAVELENGTHS), [0.2 if x < 560 else 0.7 for x in WAVELENGTHS]
    )
    assert json.loads(out)["target"]["lab"] == pytest.approx(target.lab)


def test_predict(run: Run) -> None:
    status, out, err = run("predict", "kelp=1", "gorse=2", "--thickness", "2", "--batch", "100")
    p = sm.predict({"gorse": 2, "kelp": 1}, pour=sm.Pour(batch_g=100, thickness_cm=2))
    assert (status, err) == (0, "")
    assert str(p) in out
    assert str(p.recipe.pour) in out
    assert "note" not in out
    assert all(caution in out for caution in CAUTIONS)


def test_predict_says_what_a_match_would_not_do(run: Run) -> None:
    _, out, _ = run("predict", "gorse=4.5", "--batch", "100")
    assert "the load limit is 4" in out
    assert "not all doses are multiples of 1 cm" in out


def test_predict_json(run: Run) -> None:
    _, out, _ = run("predict", "gorse=1.5", "kelp=1", "--batch", "100", "--json")
    found = json.loads(out)
    p = sm.predict({"gorse": 1.5, "kelp": 1}, pour=sm.Pour(batch_g=100))
    assert set(found) == {
        *("doses", "unit", "proportions", "total", "load", "tubes", "predicted"),
        *("pour", "view", "spread", "cautions", "notices"),
    }
    assert found["doses"] == {"gorse": 1.5, "kelp": 1.0}
    assert found["proportions"] is None
    assert found["predicted"]["lab"] == pytest.approx(p.lab)
    assert found["predicted"]["hex"] == p.hex


def test_palette(run: Run) -> None:
    status, out, _ = run("palette")
    palette = sm.demo_palette()
    assert status == 0
    assert palette.note in out
    lines = out.splitlines()
    for line, pigment in zip(lines[1:], palette.pigments, strict=False):
        code = sm.predict({pigment.name: 2}, pour=sm.Pour(batch_g=100)).hex
        assert line.split()[:4] == [pigment.name, code, f"{pigment.tube_size:g}", "cm"]
        assert line.index(code) == lines[0].index("colour")


def test_palette_file(run: Run, files: Path) -> None:
    status, out, _ = run("palette", "unpriced.json")
    assert status == 0
    assert "Grün" in out
    assert "not known" in out
    _, out, _ = run("palette", str(files / "unpriced.json"), "--json")
    found = json.loads(out)
    assert set(found) == {"note", "unit", "bases", "pigments", "notices"}
    (pigment,) = found["pigments"]
    assert set(pigment) == {"name", "hex", "tube_size", "tube_price", "scatters"}
    assert (pigment["name"], pigment["tube_price"]) == ("Grün", None)


@pytest.mark.usefixtures("files")
def test_names_do_not_steer_the_terminal(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal(monkeypatch)
    status, out, err = run("palette", "escape.json")
    assert (status, out) == (2, "")
    assert "\x1b" not in err
    assert "pigments.0.name: has an invisible character" in err


def test_version_and_help(run: Run) -> None:
    assert run("--version") == (0, f"shadematch {sm.__version__}\n", "")
    for verb in ((), ("match",), ("predict",), ("palette",)):
        status, out, err = run(*verb, "--help")
        assert (status, err) == (0, "")
        assert out.startswith("usage: shadematch")


def test_the_page_lists_every_verb_as_help_does(run: Run) -> None:
    page = (Path(__file__).parents[2] / "docs" / "command-line.md").read_text("utf-8")
    told = dict(re.findall(r"^\| \[`([\w-]+)`\]\(#[\w-]+\) \| (.+) \|$", page, re.MULTILINE))
    _, out, _ = run("--help")
    listed = re.findall(r"^    ([a-z][\w-]+)\s+(\S.*(?:\n {8,}\S.*)*)", out, re.MULTILINE)
    assert {verb: " ".join(text.split()) for verb, text in listed} == told
    assert all(f"\n## {verb}\n" in page for verb in told)


def test_help_tells_the_real_defaults(run: Run) -> None:
    tolerance = sm.match("#d9822b").tolerance
    _, out, _ = run("match", "--help")
    assert f"may be ({tolerance:g})" in " ".join(out.split())
    assert f"base in g ({sm.Pour.model_fields['batch_g'].default:g})" in out


# ---- the swatch ----


@pytest.mark.parametrize(
    ("words", "swatches"),
    [(("match", "#d9822b"), 4), (("predict", "gorse=2"), 1), (("palette",), 5)],
)
def test_swatch_on_a_terminal_only(
    run: Run, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], swatches: int
) -> None:
    assert "\x1b" not in run(*words)[1]
    terminal(monkeypatch)
    out = run(*words)[1]
    assert out.count("\x1b[48;2;") == out.count("\x1b[0m") == swatches
    if words[0] == "match":
        assert "\x1b[48;2;217;130;43m" in out.splitlines()[0]
        assert out.startswith("wanted #d9822b ")
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in run(*words)[1]
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert "\x1b" not in run(*words)[1]


def test_json_has_no_swatch(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal(monkeypatch)
    out = run("match", "#d9822b", "--json")[1]
    assert "\x1b" not in out
    assert json.loads(out)["target"]


def test_long_lines_wrap_on_a_terminal(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = run("match", "#d9822b", "--batch", "500")[1]
    terminal(monkeypatch, columns=60)
    out = run("match", "#d9822b", "--batch", "500")[1]
    text = out.split("\n\n", 1)[1]  # after the swatch
    assert max(map(len, text.splitlines())) <= 60
    assert text.split() == whole.split()


# ---- what it refuses ----

BAD = [
    # words, what the message must name: field, value, remedy
    ("", ("VERB", "--help")),
    ("bogus", ("VERB", "'bogus'", "match")),
    ("match", ("target", "'none'", "--lab")),
    ("match #fff --lab 1 2 3", ("target", "'HEX and --lab'", "exactly one")),
    ("match --xyz 1 2 3 --lab 1 2 3", ("target", "'--lab and --xyz'", "exactly one")),
    ("match #fff --spectrum good.csv", ("target", "'HEX and --spectrum'", "exactly one")),
    ("match #fff #000", ("#000", "--help")),
    ("match #fff --bogus", ("--bogus", "--help")),
    ("match #xyzxyz", ("HEX", "'#xyzxyz'", "#rrggbb")),
    ("match #12345", ("HEX", "'#12345'", "#rrggbb")),
    ("match -5", ("HEX", "'-5'", "#rrggbb")),
    ("match --lab 40 -20", ("--lab", "3 arguments", "--help")),
    ("match --lab 40 x 0", ("--lab", "'x'", "number such as")),
    ("match --lab 50 200 -200", ("--lab", "(50.0, 200.0, -200.0)", "Check the order")),
    ("match --lab 120 0 0", ("--lab", "120.0", "L*")),
    ("match --lab nan 0 0", ("--lab", "nan", "such as")),
    ("match --lab 40 -inf 0", ("--lab", "-inf", "such as")),
    ("match --xyz 100 0 0", ("--xyz", "100.0", "Check the order")),
    ("match --lab 50 0 0 --target-illuminant X", ("--target-illuminant: ", "'X'", "D65")),
    ("match --xyz 9 9 9 --target-observer 5", ("--target-observer: ", "'5'", "2 or 10")),
    ("match #fff --target-illuminant A", ("--target-illuminant", "'A'", "--xyz")),
    ("match --spectrum good.csv --target-observer 2", ("--target-observer", "'2'", "--lab")),
    ("match #fff --illuminant X", ("--illuminant: ", "'X'", "D65")),
    ("match #fff --observer 5", ("--observer: ", "'5'", "2 or 10")),
    ("match #fff --batch 10", ("--batch", "10.0", "at least 25 g")),
    ("match #fff --batch 0", ("--batch", "0.0", "Give")),
    ("match #fff --batch -5", ("--batch", "-5.0", "Give")),
    ("match #fff --batch -1e3", ("--batch", "-1000.0", "Give")),
    ("match #fff --batch nan", ("--batch", "nan", "such as")),
    ("match #fff --batch -inf", ("--batch", "-inf", "such as")),
    ("match #fff --batch 1e9", ("--batch", "1000000000.0", "Give 100,000 or less")),
    ("match #fff --bacth 500", ("--bacth 500", "Did you mean --batch?", "shadematch match --help")),
    ("match #fff 500", ("unrecognized arguments: 500. See shadematch match --help",)),
    ("match #fff --batch heavy", ("--batch", "'heavy'", "a mass in g such as")),
    ("match #fff --thickness 0", ("--thickness", "0.0", "Give")),
    ("match #fff --max-load 0", ("--max-load", "0.0", "Give")),
    ("match #fff --white 1.5", ("--white", "1.5", "at most 1", "is a fraction")),
    ("match #fff --white -0.1", ("--white", "-0.1", "Give")),
    ("match #fff --dose-step 0", ("--dose-step", "0.0", "Give")),
    ("match #fff --dose-step 1,500", ("--dose-step", "'1,500'", "could mean 1500 or 1.500")),
    ("match #fff --backing purple", ("--backing", "'purple'", "white, black or")),
    ("match #fff --backing 1.5", ("--backing", "'1.5'", "0 to 1")),
    ("match #fff --backing nan", ("--backing", "'nan'", "0 to 1")),
    ("match #fff --contact damp", ("--contact", "'damp'", "wet")),
    ("match #fff --tolerance -1", ("--tolerance", "-1.0", "CIEDE2000")),
    ("match #fff --tolerance inf", ("--tolerance", "inf", "such as")),
    ("match #fff --max-pigments 0", ("--max-pigments", "0", "from 1", "Leave it out")),
    ("match #fff --max-pigments 1.5", ("--max-pigments", "'1.5'", "whole number such as")),
    ("match #fff --must-use nope", ("pigment", "'nope'", "gorse, rosehip")),
    ("match #fff --must-avoid nope", ("pigment", "'nope'", "gorse, rosehip")),
    ("match #fff --must-use gorse --must-avoid gorse", ("--must-use", "'gorse'", "Remove")),
    (
        "match #fff --must-use gorse --must-use kelp --max-pigments 1",
        ("--max-pigments", "1", "from 2 to 5"),
    ),
    ("predict", ("NAME=DOSE", "--help")),
    ("predict gorse", ("NAME=DOSE", "'gorse'", "gorse=3")),
    ("predict gorse=long", ("NAME=DOSE", "'gorse=long'", "gorse=3")),
    ("predict gorse=1 gorse=2", ("NAME=DOSE", "'gorse=2'", "once")),
    ("predict nope=1", ("pigment", "'nope'", "gorse, rosehip")),
    ("predict =1", ("pigment", "''", "gorse, rosehip")),
    ("predict gorse=-1", ("gorse", "-1.0", "Give")),
    ("predict gorse=nan", ("gorse", "nan", "Write each dose")),
    ("predict gorse=inf", ("gorse", "inf", "Write each dose")),
    ("predict gorse=1 --thickness 0", ("--thickness", "0.0", "Give")),
    ("palette missing.json", ("palette file", "'missing.json'", "Check the name")),
    ("palette .", ("palette file", "'.'", "Check the name")),
    ("palette empty.json", ("palette file", "'empty.json'", "line 1")),
    ("palette text.json", ("palette file", "'text.json'", "line 1")),
    ("palette binary", ("palette file", "'binary'", "UTF-8")),
    ("palette list.json", ("list.json", "'list'", "JSON object")),
    ("palette other.json", ("other.json: format", "shadematch palette")),
    ("palette none.json", ("none.json: pigments", "[]", "Give at least one")),
    ("palette twice.json", ("twice.json: pigments", "'gorse'", "Rename")),
    ("palette newer.json", ("newer.json: version", "2", "newer shadematch")),
    ("palette nan.json", ("nan.json: pigments.0.absorption", "nan", "380 nm")),
    ("match #fff --palette missing.json", ("palette file", "'missing.json'", "Check the name")),
    ("predict gorse=1 --palette twice.json", ("twice.json: pigments", "'gorse'", "Rename")),
    ("match --spectrum missing.csv", ("--spectrum", "'missing.csv'", "Check the name")),
    ("match --spectrum .", ("--spectrum", "'.'", "Check the name")),
    ("match --spectrum binary", ("--spectrum", "'binary'", "is not text", "UTF-8")),
    ("match --spectrum empty.json", ("--spectrum", "'empty.json'", "Each line")),
    ("match --spectrum header.csv", ("--spectrum", "'header.csv'", "Each line")),
    ("match --spectrum large.csv", ("--spectrum", "'large.csv'", "too large", "kilobytes")),
    ("match --spectrum word.csv", ("word.csv, line 3", "abc", "Each line")),
    ("match --spectrum infinite.csv", ("infinite.csv, line 2", "inf", "Each line")),
    ("match --spectrum falling.csv", ("falling.csv, line 2", "390", "Sort")),
    ("match --spectrum percent.csv", ("percent.csv, line", "57.3", "Divide")),
    ("match --spectrum negative.csv", ("negative.csv, line 4", "-0.1", "0 and 1")),
    ("match --spectrum short.csv", ("short.csv", "450 to 650 nm", "400 nm or less")),
    ("match --spectrum gap.csv", ("gap.csv", "380 nm", "every 10 or 20 nm")),
]


@pytest.mark.parametrize(("line", "parts"), BAD, ids=[line or "nothing" for line, _ in BAD])
@pytest.mark.usefixtures("files")
def test_bad_input(run: Run, line: str, parts: tuple[str, ...]) -> None:
    status, out, err = run(*line.split())
    assert (status, out) == (2, "")
    assert err.startswith("shadematch: error: ")
    assert err.count("\n") == 1
    for part in parts:
        assert part in err


@pytest.mark.parametrize("code", ["", " ", "#", "#ggg", "orange"])
def test_hex_that_is_none(run: Run, code: str) -> None:
    status, out, err = run("match", code)
    assert (status, out) == (2, "")
    assert "is not a hex colour" in err


@pytest.mark.parametrize(
    ("line", "remedy"),
    [
        ("sheet order.json", "Write --recipe order.json"),
        ("match bar.csv", "Write --spectrum bar.csv"),
        ("match bar.JPG", "Write --photo bar.JPG"),
        ("match order.json", "Write it as #rrggbb"),
    ],
)
def test_a_file_where_a_hex_code_is_wanted(run: Run, line: str, remedy: str) -> None:
    status, out, err = run(*line.split())
    assert (status, out) == (2, "")
    assert remedy in err


@pytest.mark.parametrize("extra", [(), ("--json",)])
def test_absurd_dose_gives_no_traceback(run: Run, extra: tuple[str, ...]) -> None:
    status, out, err = run("predict", "gorse=1e308", *extra)
    assert "NaN" not in out
    assert "Infinity" not in out
    assert status == 0 or err.startswith("shadematch: error: ")


def test_ctrl_c_is_quiet(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(match_verb, "match", stopped)
    assert run("match", "#fff") == (130, "", "")


# ---- as a process of its own ----


def test_module_runs() -> None:
    done = python("-m", "shadematch", "match", "#d9822b", "--batch", "500")
    assert (done.returncode, done.stderr) == (0, "")
    assert str(sm.match("#d9822b", pour=sm.Pour(batch_g=500))) in done.stdout
    assert all(caution in done.stdout for caution in CAUTIONS)


def test_module_refuses() -> None:
    done = python("-m", "shadematch", "predict", "nope=1")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("shadematch: error: pigment: ")
    assert "Traceback" not in done.stderr


def test_start_stays_light() -> None:
    code = (
        "import sys; from shadematch.cli.main import main; status = main(['match', '#d9822b']); "
        "heavy = {'colour', 'matplotlib'} & set(sys.modules); "
        "sys.exit(status or ' '.join(sorted(heavy)) or 0)"
    )
    done = python("-c", code)
    assert (done.returncode, done.stderr) == (0, "")


def test_ctrl_c_while_it_loads_is_quiet() -> None:
    code = (
        "import sys\n"
        "class Hand:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'shadematch.cli.match':\n"
        "            raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Hand())\n"
        "sys.argv = ['shadematch', 'match', '#d9822b']\n"
        "from shadematch.__main__ import run\n"
        "sys.exit(run())"
    )
    done = python("-c", code)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX")
@pytest.mark.parametrize("words", [["palette"], ["--help"], ["--version"]])
def test_broken_pipe_is_quiet(words: list[str]) -> None:
    readable, writable = os.pipe()
    os.close(readable)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "shadematch", *words],
            stdout=writable,
            stderr=subprocess.PIPE,
            check=False,
        )
    finally:
        os.close(writable)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_full_disk_is_an_error() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "shadematch", "palette"],
            stdout=full,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith("shadematch: error: the output can't be written")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("buffered", ["", "1"], ids=["buffered", "unbuffered"])
@pytest.mark.parametrize(
    ("words", "to"),
    [
        ("--help", ">/dev/full"),
        ("match --help", ">/dev/full"),
        ("--version", ">/dev/full"),
        ("palette", ">&-"),
        ("--help", ">&-"),
        ("--version", ">&-"),
    ],
)
def test_output_that_goes_nowhere_is_an_error(words: str, to: str, buffered: str) -> None:
    done = shell(f"{words} {to}", PYTHONUNBUFFERED=buffered)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("shadematch: error: the output can't be written")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("to", ["2>/dev/full", "2>&-", ">&- 2>&-"])
def test_complaints_that_go_nowhere_leave_the_exit_status(to: str) -> None:
    done = shell(f"palette missing.json {to}")
    assert (done.returncode, done.stdout, done.stderr) == (2, "", "")


def shell(words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line as a shell starts it, with its redirections."""
    return subprocess.run(
        ["bash", "-c", f"{sys.executable} -m shadematch {words}"],
        capture_output=True,
        check=False,
        text=True,
        env={**os.environ, **environment},
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("same-look", "gorse=2", "--to-batch", "0.1"), "--to-batch: is too small"),
        (("smallest-batch", "#d9822b", "--step", "1e9"), "--step: must be at most 100,000 g"),
        (("let-down", "#c8d050", "--weigh-least", "501"), "Give at most 500 g"),
        (("feasibility", "#d9822b", "--thicknesses", "-1,2"), "--thicknesses: must be at least"),
        (("palette", "key.json"), "error: key.json: an entry appears twice"),
        (("predict", "gorse=2", "--palette", "key.json"), "error: key.json: an entry appears"),
    ],
)
def test_what_is_wrong_is_called_by_its_option(
    run: Run, files: Path, words: tuple[str, ...], said: str
) -> None:
    text = (files / "good.json").read_text(encoding="utf-8")
    (files / "key.json").write_text(text.replace('"name":', '"name": "a", "name":', 1))
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert said in err


def test_black_and_grey_have_no_negative_zero(run: Run) -> None:
    for code in ("#000000", "#808080"):
        status, out, _ = run("match", code, "--max-pigments", "1")
        assert status == 0 and "0.0" in out.splitlines()[0]
        assert "-0.0" not in out.splitlines()[0]


@pytest.mark.usefixtures("files")
def test_output_that_lacks_letters() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "shadematch", "palette", "unpriced.json"],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert rb"Gr\xfcn" in done.stdout
