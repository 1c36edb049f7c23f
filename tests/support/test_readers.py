"""Every reader of tables takes what spreadsheets write, and means the same by it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import shadematch as sm

DATA = Path(__file__).parents[2] / "data"
NM = range(380, 731, 10)
SPECTRUM = "nm,value\n" + "".join(f"{nm}.5,{0.2 + nm / 1500:.4f}\n" for nm in NM)
ORDERS = (
    "name,target,lab,recipe_cm,bars,bar_g,thickness_cm,tolerance,backing\n"
    "one,#d9822b,,,12,90.5,1.5,0.8,0.25\n"
    "# a note\n"
    "two,,38.5 22 18.25,,3,100,1,0.75,white\n"
    "three,,,3.5 gorse + 1 rosehip,3,100,1,,black\n"
)

READ: dict[str, tuple[Callable[[Path], Any], str]] = {
    "orders": (sm.read_orders, ORDERS),
    "shelf": (sm.read_stock, (DATA / "shelf.csv").read_text(encoding="utf-8")),
    "pours": (sm.read_test_pours, (DATA / "test-pours-lab.csv").read_text(encoding="utf-8")),
    "spectra of pours": (sm.read_test_pours, (DATA / "test-pours.csv").read_text(encoding="utf-8")),
    "target": (lambda path: sm.Target.from_csv(path).lab, SPECTRUM),
    "light": (lambda path: sm.Illuminant.from_csv(path, name="lamp"), SPECTRUM),
}


def table(text: str) -> list[list[str]]:
    """The cells; notes are rows of one cell."""
    return [
        [line] if line.startswith("#") else next(csv.reader([line])) for line in text.splitlines()
    ]


def written(rows: list[list[str]], between: str, *, comma: bool = False) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=between, lineterminator="\n")
    for row in rows:
        cells = [c.replace(".", ",") if comma and not c.startswith("#") else c for c in row]
        writer.writerow(cells)
    return stream.getvalue()


def shouted(rows: list[list[str]]) -> list[list[str]]:
    """Columns in capitals with blanks around, but for the names of pigments."""
    at = next(i for i, row in enumerate(rows) if not row[0].startswith("#"))
    head = [
        f"  {kind.upper()}{colon}{name} "
        for kind, colon, name in (cell.partition(":") for cell in rows[at])
    ]
    return [*rows[:at], head, *rows[at + 1 :]]


def loose(rows: list[list[str]]) -> list[list[str]]:
    """Empty columns at the end and empty rows, as spreadsheets leave them."""
    wide = [[*row, "", ""] for row in rows]
    empty = [""] * len(wide[-1])
    return [empty, *wide[:2], empty, [], *wide[2:], empty, empty]


DRESSES: dict[str, Callable[[list[list[str]]], bytes]] = {
    "semicolons": lambda rows: written(rows, ";").encode(),
    "semicolons, decimal commas": lambda rows: written(rows, ";", comma=True).encode(),
    "tabs": lambda rows: written(rows, "\t").encode(),
    "tabs, decimal commas, utf-16": lambda rows: written(rows, "\t", comma=True).encode("utf-16"),
    "utf-16 the other way": lambda rows: b"\xfe\xff" + written(rows, ",").encode("utf-16-be"),
    "a mark for utf-8, windows": lambda rows: (
        written(rows, ",").replace("\n", "\r\n").encode("utf-8-sig")
    ),
    "old line ends": lambda rows: written(rows, ",").replace("\n", "\r").encode(),
    "capitals": lambda rows: written(shouted(rows), ";").encode(),
    "empty columns": lambda rows: written(loose(rows), ",").encode(),
    "empty columns, semicolons": lambda rows: written(loose(rows), ";", comma=True).encode(),
}


@pytest.mark.parametrize("dress", DRESSES)
@pytest.mark.parametrize("kind", READ)
def test_all_readers_take_what_spreadsheets_write(kind: str, dress: str, tmp_path: Path) -> None:
    read, text = READ[kind]
    plain, other = tmp_path / "plain.csv", tmp_path / "other.csv"
    plain.write_text(text, encoding="utf-8")
    other.write_bytes(DRESSES[dress](table(text)))
    assert read(other) == read(plain)


def test_numbers_come_out_of_decimal_commas(tmp_path: Path) -> None:
    """Told by hand, not by the other reading."""
    place = tmp_path / "a.csv"
    place.write_bytes(DRESSES["semicolons, decimal commas"](table(ORDERS)))
    one, two, three = sm.read_orders(place)
    assert (one.bar_g, one.tolerance, one.view.backing) == (90.5, 0.8, 0.25)
    assert two.target == sm.Target.from_lab((38.5, 22, 18.25))
    assert three.recipe is not None
    assert dict(three.recipe.doses) == {"gorse": 3.5, "rosehip": 1.0}


@pytest.mark.parametrize("line", ["{};{}", "{}\t{}", "{} {}", "  {}   {} ", "{}\t \t{}", '"{}" {}'])
@pytest.mark.parametrize("head", ["", "nm R\n", "# measured 3 times\n\n"])
def test_a_spectrum_with_or_without_a_header(line: str, head: str, tmp_path: Path) -> None:
    place = tmp_path / "a.txt"
    rows = [(nm, 0.1 + nm / 2000) for nm in NM]
    expected = sm.Target.from_reflectance(*zip(*rows, strict=True)).lab
    for comma in (False, True):
        lines = "\n".join(line.format(nm, f"{r:.6f}") for nm, r in rows)
        place.write_text(head + (lines.replace(".", ",") if comma else lines), encoding="utf-8")
        assert sm.Target.from_csv(place).lab == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # The first line is named where it is wrong, whatever stands between the cells.
        ("380 0.5 7\n390 0.5\n400 0.5\n", r"line 1: must be two finite numbers"),
        ("38o\t0.5\n390\t0.5\n400\t0.5\n", r"line 1: must be two finite numbers"),
        ("380;inf\n390;0.5\n", r"line 1: must be two finite numbers"),
        ("380,0,5\n390,0,5\n", r"line 1: .*decimal commas need semicolons, tabs or blanks"),
        ('nm,R\n380,"0,5"\n390,"0,5"\n', r"line 2: .*decimal commas need semicolons"),
        ("380;1.000,5\n390;0,5\n", r"line 1: must be two finite"),
        ("380;0.5\n390;0,5\n", r"line 2: decimal commas and decimal points"),
        ("380 0.5\n380 0.5\n", r"line 2: wavelengths must rise"),
        ("3\x008\n", "is not text"),
    ],
)
def test_a_spectrum_is_refused_with_its_line(text: str, said: str, tmp_path: Path) -> None:
    place = tmp_path / "a.txt"
    place.write_text(text, encoding="utf-8")
    for read in (sm.Target.from_csv, sm.Illuminant.from_csv):
        with pytest.raises(sm.SpectrumError, match=said):
            read(place)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('name,L,a,b\none,"50,5",1,2\n', r"line 2, l: commas in numbers.*semicolons or tabs"),
        ('name,L,a,b\n"one\nmore",50,1,2\n', r"line 2: is not valid CSV.*line break in a cell"),
        ("name,L,a,b\none,50,1\n", r"line 2: has 3 cells for 4 columns"),
    ],
)
def test_a_table_is_refused_with_its_line(text: str, said: str, tmp_path: Path) -> None:
    place = tmp_path / "a.csv"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(sm.PourError, match=said):
        sm.read_test_pours(place, pour=sm.Pour(batch_g=100))


def test_a_hex_code_first_is_no_note(tmp_path: Path) -> None:
    place = tmp_path / "a.csv"
    place.write_text("target,name,bars\n#d9822b,one,2\n#fff,two,3\n#no order,,\n", encoding="utf-8")
    assert [order.name for order in sm.read_orders(place)] == ["one", "two"]


def test_names_are_read_in_every_encoding(tmp_path: Path) -> None:
    place = tmp_path / "a.csv"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        place.write_bytes("kind;name\npaste;grün\n".encode(encoding))
        assert sm.read_stock(place).tubes[0].pigment == "grün"
