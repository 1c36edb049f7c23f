"""Test pours from files: read rightly, or refused with the line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.colour.standards import WAVELENGTHS_NM as NM

DATA = Path(__file__).parents[2] / "data"
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def made(text: str, name: str = "pours.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return made


def spectral(wavelengths: range, *rows: tuple[str, list[float]], scale: float = 1.0) -> str:
    head = "name,dose_cm:gorse," + ",".join(map(str, wavelengths))
    lines = [f"{start},{','.join(f'{scale * v:g}' for v in values)}" for start, values in rows]
    return "\n".join([head, *lines]) + "\n"


GRID = range(400, 701, 10)
RISING = [0.1 + 0.02 * i for i in range(len(GRID))]


def test_the_plain_case(write: Write) -> None:
    path = write(
        "# a note\n"
        "Name,batch_g,thickness_cm,white_percent,dose_cm:gorse,dose_cm:kelp,backing,illuminant,L,a,b\n"
        "one,500,2,10,2.5,,black,D50,50,1,2\n"
        "two,500,2,0,,,0.5,A,60,-1,20\n"
    )
    one, two = sm.read_test_pours(path, pour=sm.Pour(batch_g=100))
    assert one.doses == {"gorse": 2.5}
    assert one.loads == {"gorse": 0.5}
    assert one.pour == sm.Pour(batch_g=500, thickness_cm=2, white=0.1)
    assert one.view == sm.View(backing="black", illuminant="D50")
    assert one.lab == (50, 1, 2)
    assert two.doses == {}
    assert two.view.backing == 0.5


def test_spectra_and_what_was_not_measured(write: Write) -> None:
    (pour,) = sm.read_test_pours(
        write(spectral(GRID, ("one,2", RISING))), pour=sm.Pour(batch_g=100)
    )
    assert pour.spectrum is not None
    known = [v is not None for v in pour.spectrum]
    assert known == [bool(400 <= nm <= 700) for nm in NM]
    assert pour.spectrum[2] == pytest.approx(0.1)


@pytest.mark.parametrize(
    "head", ["{}", "{} nm", "R{}", "R({})", "nm_{}", "SPECTRAL_NM{}", "%R {}", "Reflectance {} nm"]
)
def test_heads_of_wavelengths(write: Write, head: str) -> None:
    plain = spectral(GRID, ("one,2", RISING))
    names, rest = plain.split("\n", 1)
    other = ",".join(head.format(c) if c.isdigit() else c for c in names.split(","))
    assert sm.read_test_pours(
        write(f"{other}\n{rest}"), pour=sm.Pour(batch_g=100)
    ) == sm.read_test_pours(write(plain), pour=sm.Pour(batch_g=100))


def test_percent_is_seen_in_the_whole_file(write: Write) -> None:
    dark = [0.4] * len(GRID)
    text = spectral(GRID, ("one,2", RISING), ("two,9", [v / 10 for v in RISING]), scale=100)
    first, second = sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))
    assert first.spectrum is not None and first.spectrum[2] == pytest.approx(0.1)
    assert second.spectrum is not None and second.spectrum[2] == pytest.approx(0.01)
    # A line below 1.5 % among others in percent could be a fraction: say which.
    text = spectral(GRID, ("one,2", [100 * v for v in RISING]), ("two,9", dark))
    path = write(text)
    with pytest.raises(sm.PourError, match=r"line 3: percent or fraction"):
        sm.read_test_pours(path, pour=sm.Pour(batch_g=100))
    _, told = sm.read_test_pours(path, reflectance_unit="percent", pour=sm.Pour(batch_g=100))
    assert told.spectrum is not None and told.spectrum[2] == pytest.approx(0.004)
    with pytest.raises(sm.PourError, match=r"line 2.*between 0 and 1"):
        sm.read_test_pours(path, reflectance_unit="fraction", pour=sm.Pour(batch_g=100))


@pytest.mark.parametrize("between", [";", "\t"])
def test_decimal_commas(write: Write, between: str) -> None:
    text = "name,thickness_cm,dose_cm:gorse,L,a,b\none,0p5,2p5,50p5,1,-2p25\n"
    text = text.replace(",", between).replace("p", ",")
    text = text.replace("thickness,cm", "thickness_cm")
    (pour,) = sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))
    assert pour.lab == (50.5, 1, -2.25)
    assert pour.pour.thickness_cm == 0.5


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,L,a,b\none,50,5,1,2\n", r"line 2: has 5 cells for 4 columns.*decimal commas"),
        ("name;L;a;b\none;50,5;1.5;2\n", r"line 2: decimal commas and decimal points"),
        ("name;L;a;b\none;1.050,5;1;2\n", r"line 2: decimal commas and decimal points"),
        ("name,L,a,b\none,50,fair,2\n", r"line 2: a must be a number"),
        ("name,L,a,b\none,50,nan,2\n", r"line 2: a must be a number"),
        ("name,L,a,b\none,50,,2\n", r"line 2: needs all of L, A, B"),
        ("name,L,a,b\none,150,0,2\n", r"line 2: .*L\* must lie between"),
        ("name,L,a,b,gloss\none,50,0,2,1\n", r"line 1: unknown column .*gloss.*leave it out"),
        ("name,L,a,L*\none,50,0,2\n", r"line 1: a column appears twice"),
        ("name,L,a,b\n\n# x\none,50,0,2\none,50,0,2\n", r"line 5: the same bar in .* line 4"),
        (
            "name,dose_cm:g,backing,L,a,b\none,1,white,50,0,2\none,2,black,50,0,2\n",
            r"line 3: this name is another bar's in line 2",
        ),
        ("name,dose_cm:g,dose_g:h,L,a,b\none,1,,50,0,2\n", "more than one unit"),
        ("name,dose_cm:g,load_cm:g,L,a,b\none,1,2,50,0,2\n", "line 2: this pigment has two"),
        ("name,dose_cm:g,L,a,b\none,-1,50,0,2\n", r"line 2: must be a number from 0"),
        ("name,white,white_percent,L,a,b\none,1,2,50,0,2\n", "line 2: white and white_percent"),
        ("name,white,L,a,b\none,10,50,0,2\n", r"line 2: must be at most 1"),
        ("name,backing,L,a,b\none,grey,50,0,2\n", "line 2: backing must be a number"),
        ("name,illuminant,L,a,b\none,D66,50,0,2\n", "line 2: unknown illuminant"),
        ("name,reflectance_unit,L,a,b\none,parts,50,0,2\n", "line 2: reflectance_unit must be"),
        ("name,L,a,b\n", "has no readings"),
        ("", "is empty"),
        ("name,dose_cm:g\none,2\n", "line 2: no reading in this line"),
    ],
)
def test_refused_with_the_line(write: Write, text: str, said: str) -> None:
    with pytest.raises(sm.PourError, match=said):
        sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))


def test_missing_wavelengths_and_mixed_grids(write: Write) -> None:
    values = [f"{v:g}" for v in RISING]
    holed = [*values[:5], "", *values[6:]]
    text = "name," + ",".join(map(str, GRID)) + "\none," + ",".join(holed) + "\n"
    with pytest.raises(sm.PourError, match=r"line 2: a wavelength is missing \(got '450 nm'\)"):
        sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))
    # Two instruments in one file, at 10 nm and at 20 nm: both are even, both are read.
    coarse = [v if i % 2 == 0 else "" for i, v in enumerate(values)]
    text = "name," + ",".join(map(str, GRID))
    text += "\none," + ",".join(values) + "\ntwo," + ",".join(coarse) + "\n"
    one, two = sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))
    np.testing.assert_allclose(
        [v for v in one.spectrum or () if v], [v for v in two.spectrum or () if v], atol=1e-9
    )
    wide = [v if i % 3 == 0 else "" for i, v in enumerate(values)]
    text = "name," + ",".join(map(str, GRID)) + "\none," + ",".join(wide) + "\n"
    with pytest.raises(sm.PourError, match="line 2: has a gap of more than 20 nm"):
        sm.read_test_pours(write(text), pour=sm.Pour(batch_g=100))
    short = range(450, 701, 10)
    with pytest.raises(sm.PourError, match="line 2: does not cover the visible range"):
        sm.read_test_pours(write(spectral(short, ("one,2", RISING[5:]))), pour=sm.Pour(batch_g=100))


@pytest.mark.parametrize("digits", [0, 1])
def test_heads_that_are_rounded_miss_nothing(write: Write, digits: int) -> None:
    """Every 3.33 nm, written as 380, 383, 387, 390 or with one digit."""
    exact = 380 + np.arange(106) / 0.3
    row = 0.3 + 0.001 * (exact - 380)
    text = "name," + ",".join(f"{nm:.{digits}f}" for nm in exact)
    (pour,) = sm.read_test_pours(
        write(text + "\none," + ",".join(f"{v:.6f}" for v in row) + "\n"), pour=sm.Pour(batch_g=100)
    )
    known = [v for v in pour.spectrum or () if v is not None]
    np.testing.assert_allclose(known, 0.3 + 0.001 * np.arange(0, 351, 10), atol=1e-3)
    holed = [f"{v:.6f}" if i != 40 else "" for i, v in enumerate(row)]
    with pytest.raises(sm.PourError, match="line 2: a wavelength is missing"):
        sm.read_test_pours(
            write(text + "\none," + ",".join(holed) + "\n"), pour=sm.Pour(batch_g=100)
        )


@pytest.mark.parametrize("values", [0.9, None])
def test_a_backing_that_is_no_list(write: Write, values: object) -> None:
    with pytest.raises(sm.PourError, match=r"backings\.card: is not a list .*36 reflectances"):
        sm.read_test_pours(
            write("name,L,a,b\none,50,0,2\n"), backings={"card": values}, pour=sm.Pour(batch_g=100)
        )  # type: ignore[dict-item]


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(sm.PourError, match="can't be read"):
        sm.read_test_pours(tmp_path / "none.csv", pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.PourError):
        sm.read_test_pours("a\0b", pour=sm.Pour(batch_g=100))


def test_loads_masses_and_parts(write: Write) -> None:
    (pour,) = sm.read_test_pours(
        write("name,batch_g,load_cm:g,L,a,b\none,400,2,50,0,2\n"), pour=sm.Pour(batch_g=100)
    )
    assert pour.doses == {"g": 8} and pour.unit == "cm"
    (pour,) = sm.read_test_pours(
        write("name,batch_g,dose_g:g,X,Y,Z\none,400,2,20,20,20\n"), pour=sm.Pour(batch_g=100)
    )
    assert pour.doses == {"g": 2} and pour.unit == "g"
    (pour,) = sm.read_test_pours(
        write("name,part:g,L,a,b\none,0.3,50,0,2\n"), pour=sm.Pour(batch_g=100)
    )
    assert pour.doses == {"g": 0.3} and pour.unit == "part"


# --- CGATS.17 (ANSI CGATS.17; ISO 28178): keywords from memory


CGATS = """CGATS.17
ORIGINATOR "some instrument"
CREATED "November 25, 2026"
WEIGHTING_FUNCTION "ILLUMINANT, D50"
WEIGHTING_FUNCTION "OBSERVER, 2 degree"
# a note
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
1 "gorse light" 80.5 2.0 40.25
2 clear 93.0 -0.2 1.5
END_DATA
"""
BARS = "name,batch_g,dose_cm:gorse\ngorse light,500,2.5\nclear,500,\n"


def test_cgats_with_doses_from_a_second_file(write: Write) -> None:
    bars = write(BARS, "bars.csv")
    first, second = sm.read_test_pours(write(CGATS, "m.txt"), bars=bars, pour=sm.Pour(batch_g=100))
    assert first.name == "gorse light"
    assert first.doses == {"gorse": 2.5}
    assert first.lab == (80.5, 2.0, 40.25)
    assert first.view.illuminant == "D50"
    assert second.doses == {}
    # Older instruments: another encoding, decimal commas, Windows line ends.
    old = (
        CGATS.replace("80.5", "80,5")
        .replace("2.0 40.25", "2 40,25")
        .replace("93.0 -0.2 1.5", "93 -0,2 1,5")
    )
    old = old.replace("some", "märchenhaft").replace("\n", "\r\n")
    again, _ = sm.read_test_pours(
        write(old, "o.txt", "cp1252"), bars=bars, pour=sm.Pour(batch_g=100)
    )
    assert again == first


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("NUMBER_OF_SETS 2", "NUMBER_OF_SETS 3"), "line 15: 2 sets of data, but"),
        (("END_DATA\n", ""), "line 12: has no end"),
        (('"gorse light"', "gorse light"), "line 13: has 6 values for 5 fields"),
        (('WEIGHTING_FUNCTION "ILLUMINANT, D50"\n', ""), "the light of its Lab"),
        (("gorse light", "gorse dark"), r"line 13: .* has no such bar"),
        (("LAB_A LAB_B", "LAB_A LAB_A"), "line 8: a field appears twice"),
    ],
)
def test_cgats_refused(write: Write, change: tuple[str, str], said: str) -> None:
    if change[0].startswith("END_DATA\n"):
        text = CGATS.removesuffix("END_DATA\n")
    else:
        text = CGATS.replace(*change)
    with pytest.raises(sm.PourError, match=said):
        sm.read_test_pours(
            write(text, "m.txt"), bars=write(BARS, "bars.csv"), pour=sm.Pour(batch_g=100)
        )


def test_cgats_takes_the_light_from_the_caller(write: Write) -> None:
    text = CGATS.replace('WEIGHTING_FUNCTION "ILLUMINANT, D50"\n', "")
    bars = write(BARS, "bars.csv")
    first, _ = sm.read_test_pours(
        write(text, "m.txt"), bars=bars, view=sm.View(illuminant="A"), pour=sm.Pour(batch_g=100)
    )
    assert first.view.illuminant == "A"


# --- the shipped examples, the form, and the verbs


def test_examples_agree() -> None:
    table = sm.read_test_pours(DATA / "test-pours.csv", pour=sm.Pour(batch_g=100))
    text = sm.read_test_pours(
        DATA / "test-pours.txt", bars=DATA / "bars.csv", pour=sm.Pour(batch_g=100)
    )
    assert len(table) == len(text) == 17
    for one, two in zip(table, text, strict=True):
        assert (one.doses, one.pour, one.view, one.name) == (
            two.doses,
            two.pour,
            two.view,
            two.name,
        )
        np.testing.assert_allclose(
            np.array(one.spectrum, float), np.array(two.spectrum, float), atol=1e-5
        )


def test_verbs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    saved = tmp_path / "palette.json"
    words = ["calibrate", str(DATA / "test-pours.csv"), "--save-palette", str(saved), "--json"]
    assert main([*words, "--like", str(tmp_path / "none.json")]) == 2
    assert "--like: can't be read" in capsys.readouterr().err
    assert main(words) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["wrong"] == [] and len(said["residuals"]) == 15
    assert all(0 < p["strength_sd"] < 0.05 and not p["scatters"] for p in said["pigments"])
    found, demo = sm.read(saved, sm.Palette), sm.demo_palette()
    assert found.names == demo.names
    # The example was made from the demo palette: its strengths come back.
    for one, two in zip(found.pigments, demo.pigments, strict=True):
        top = np.argmax(two.absorption)
        assert one.absorption[top] == pytest.approx(two.absorption[top], rel=0.06)
    assert main(["calibrate", str(tmp_path / "none.csv")]) == 2
    assert "can't be read" in capsys.readouterr().err


# --- the model itself
