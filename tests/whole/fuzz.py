"""Files spoilt at random, and what their readers make of them.

`spoilt(kind, seed)` gives a file of a kind, spoilt in a way that depends on the seed alone; `trial`
has it read and tells what was wrong: anything but a clear error or a right answer. Half of the
files are spoilt blindly; what a reader accepts all the same is compared with a reading by other
means (json, csv). In the other half one cell gets another sound number, which must come out.
"""

from __future__ import annotations

import csv
import functools
import io
import json
import random
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import ShadematchError
from tests.whole.fuzz_calls import NM, ROOT, correction, faults, matched, palette, targets

DATA = ROOT / "data"


@dataclass(frozen=True)
class Told:
    """A file in which one cell has a known number, and where that comes out."""

    text: str
    number: float
    found: Callable[[Any], float]


# --- sound files

_JSON: dict[str, Callable[[], Any]] = {
    "palette": palette,
    "recipe": matched,
    "targets": targets,
    "batch": correction,
}


@functools.cache
def seed_of(kind: str) -> str:
    """A sound file of a kind."""
    if kind in _JSON:
        with tempfile.TemporaryDirectory() as folder:
            note = "0" if kind in ("recipe", "targets") else None
            sm.save(_JSON[kind](), Path(folder) / "a.json", note=note)
            return (Path(folder) / "a.json").read_text()
    if kind == "spectrum":
        return "nm,R\n" + "".join(f"{nm},{0.2 + nm / 1500:.4f}\n" for nm in NM)
    if kind == "cgats lab":
        rows = "".join(f'{i} "bar {i}" {40 + i}.5 {i}.25 -{i}.75\n' for i in range(1, 7))
        return (
            'CGATS.17\nORIGINATOR "nobody"\nILLUMINANT "D50"\nNUMBER_OF_FIELDS 5\n'
            "BEGIN_DATA_FORMAT\nSAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
            f"NUMBER_OF_SETS 6\nBEGIN_DATA\n{rows}END_DATA\n"
        )
    name = {
        "cgats": "test-pours.txt",
        "pours": "test-pours.csv",
        "pours lab": "test-pours-lab.csv",
        "orders": "order-book.csv",
        "shelf": "shelf.csv",
    }[kind]
    return (DATA / name).read_text(encoding="utf-8")


def _pours(path: Path) -> object:
    return sm.read_test_pours(path, pour=sm.Pour(batch_g=100))


READERS: dict[str, Callable[[Path], object]] = {
    **dict.fromkeys(_JSON, sm.read),
    "cgats": _pours,
    "cgats lab": _pours,
    "pours": _pours,
    "pours lab": _pours,
    "orders": sm.read_orders,
    "shelf": sm.read_stock,
    "spectrum": sm.Target.from_csv,
}

_TABLES = ("pours", "pours lab", "orders", "shelf", "spectrum")

# --- spoiling

_NASTY = (
    "nan",
    "inf",
    "-inf",
    "1e309",
    "-1e309",
    "1e-320",
    "-0",
    "-1",
    "0",
    "1_000",
    "0x10",
    "٣",
    "²",
    "1,5",
    "+5",
    " 7 ",
    "9" * 400,
    "9" * 5000,
    "",
    "true",
    "null",
    "None",
    '"',
    "'",
    "=1+1",
    "#",
    "\x00",
    "\ufeff",
    "\u2028",
    "\x85",
    "\x1c",
    "\ud7ff",
    "e\u0301",
    "\u202e",
    "½",
    "1e5",
    "NaN",
    "[]",
    "{}",
    "1.0.0",
    "--",
    "D65",
    "END_DATA",
    "BEGIN_DATA",
    "x" * 140_000,
)
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def _blind(text: str, rng: random.Random) -> bytes:
    """Some random damage, as an editor, a careless person or a bad disk does it."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        lines = text.splitlines(keepends=True) or [""]
        at = rng.randrange(len(text) + 1)
        end = min(len(text), at + int(rng.expovariate(1 / 20)))
        way = rng.randrange(12)
        if way == 0:
            text = text[:at] + rng.choice(_NASTY) + text[end:]
        elif way <= 3:  # a number gives way
            spots = list(_NUMBER.finditer(text))
            if spots:
                spot = rng.choice(spots)
                new = rng.choice((*_NASTY, f"{rng.uniform(-9, 999):.4g}", str(rng.randrange(999))))
                text = text[: spot.start()] + new + text[spot.end() :]
        elif way == 4:
            text = text[:at] + text[end:]
        elif way == 5:
            text = text[:at] + text[at:end] * rng.choice((2, 3, 100)) + text[end:]
        elif way == 6:
            text = text[:at]
        elif way == 7:
            where, taken = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[where] = rng.choice((lines[taken], "", lines[where] * 2, "\n", lines[where] * 50))
            text = "".join(lines)
        elif way == 8:
            text = text[:at] + chr(rng.choice((*range(0xD800), 0x1F9FC))) + text[at:]
        elif way == 9:
            old, new = rng.choice(((",", ";"), (".", ","), ("\n", "\r"), ("\n", "\r\n"), ('"', "")))
            text = text.replace(old, new, rng.choice((1, -1)))
        elif way == 10:
            text = text[:at] + rng.choice('[{(",;\t\n') * rng.choice((1, 3, 3000)) + text[at:]
        else:
            rng.shuffle(lines)
            text = "".join(lines)
    code = rng.choice(("utf-8",) * 8 + ("utf-16", "cp1252", "utf-8-sig"))
    raw = bytearray(text.encode(code, "replace"))
    if rng.random() < 0.15:
        for _ in range(rng.randrange(1, 9)):
            raw.insert(rng.randrange(len(raw) + 1), rng.randrange(256))
    return bytes(raw)


def _told(kind: str, rng: random.Random) -> Told:
    """One cell changed to another sound number."""
    text = seed_of(kind)
    value = round(rng.uniform(0.01, 0.99), 4)
    band = rng.randrange(36)
    if kind == "palette":
        data = json.loads(text)
        at = rng.randrange(len(data["pigments"]))
        data["pigments"][at]["absorption"][band] = value
        return Told(json.dumps(data), value, lambda p: p.pigments[at].absorption[band])
    if kind == "recipe":
        data = json.loads(text)
        data["note"] = f"{value}"
        return Told(json.dumps(data), value, lambda r: float(r.note))
    if kind == "targets":
        data = json.loads(text)
        data["targets"][0]["lab"][0] = 50 + value
        return Told(json.dumps(data), 50 + value, lambda t: t[0].lab[0])
    if kind == "batch":
        data = json.loads(text)
        data["priors"]["strength_spread"] = value
        return Told(json.dumps(data), value, lambda c: c._belief.priors.strength_spread)
    if kind == "spectrum":
        lines = text.splitlines()
        lines[band + 1] = f"{NM[band]},{value}"
        return Told("\n".join(lines), value, lambda t: float(t.reflectance[band]))
    if kind == "cgats lab":
        at = rng.randrange(6)
        lines = text.splitlines()
        row = lines[9 + at].split(" ")
        row[-3] = f"{50 + value}"
        lines[9 + at] = " ".join(row)
        return Told("\n".join(lines), 50 + value, lambda p: p[at].lab[0])
    lines = text.splitlines()
    if kind == "cgats":
        first = lines.index("BEGIN_DATA") + 1
        at = rng.randrange(len(lines) - first - 1)
        row = lines[first + at].split(" ")
        row[band - 36] = f"{100 * value:.2f}"
        lines[first + at] = " ".join(row)
        return Told("\n".join(lines), value, lambda p: p[at].spectrum[band])
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[head].split(",")
    at = rng.randrange(len(lines) - head - 1)
    row = next(csv.reader([lines[head + 1 + at]]))
    if kind == "pours":
        column, number = names.index(str(NM[band])), value
        found: Callable[[Any], float] = lambda p: p[at].spectrum[band]  # noqa: E731
    elif kind == "pours lab":
        column = names.index("a")
        number = round(float(row[column]) + value - 0.5, 4)
        found = lambda p: p[at].lab[1]  # noqa: E731
    elif kind == "orders":
        column, number = names.index("value"), 100 + value
        found = lambda p: p[at].value  # noqa: E731
    else:
        column, number = names.index("price"), 1 + value
        pastes = [line.split(",")[1] for line in lines[head + 1 :] if line.startswith("paste")]
        base = row[0]
        found = (
            (lambda s: s.row(pastes[at]).price)
            if base == "paste"
            else (lambda s: getattr(s, f"{base}_price_kg"))
        )
    row[column] = f"{number}"
    stream = io.StringIO()
    csv.writer(stream, lineterminator="").writerow(row)
    lines[head + 1 + at] = stream.getvalue()
    return Told("\n".join(lines), number, found)


def _dressed(text: str, rng: random.Random) -> bytes:
    """A table as another program would write it; the numbers stay."""
    lines = text.splitlines()
    notes = [line for line in lines if line.startswith("#")]
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    between = rng.choice(",;\t")
    if between != "," and rng.random() < 0.7:
        rows = [[c if c[:1] == "#" else c.replace(".", ",") for c in row] for row in rows]
    rows = [[*row, *[""] * rng.choice((0, 0, 3))] for row in rows]
    if rng.random() < 0.5:
        heads = [cell.partition(":") for cell in rows[0]]
        rows[0] = [f" {kind.upper()}{colon}{name}" for kind, colon, name in heads]
    for _ in range(rng.choice((0, 0, 2))):
        rows.insert(rng.randrange(1, len(rows) + 1), [""] * rng.randrange(3))
    stream = io.StringIO()
    csv.writer(stream, delimiter=between, lineterminator="\n").writerows(rows)
    whole = "\n".join([*notes, stream.getvalue()]).replace("\n", rng.choice(("\n", "\r\n", "\r")))
    return whole.encode(rng.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16")))


def spoilt(kind: str, seed: int) -> tuple[bytes, Told | None]:
    """File number `seed` of a kind."""
    rng = random.Random(f"{kind} {seed}")
    if seed % 2:
        told = _told(kind, rng)
        if kind in _TABLES and rng.random() < 0.5:
            return _dressed(told.text, rng), told
        return told.text.encode(), told
    return _blind(seed_of(kind), rng), None


# --- judging


def _otherwise(kind: str, raw: bytes, found: Any) -> str:
    """How an accepted file differs from what json or csv make of it."""
    if kind == "palette":
        data = json.loads(raw.decode("utf-8-sig"))
        if [p["name"] for p in data["pigments"]] != list(found.names):
            return "other names"
        if np.array_equal(data["wavelengths_nm"], WAVELENGTHS_NM):
            for given, pigment in zip(data["pigments"], found.pigments, strict=True):
                if not np.allclose(given["absorption"], pigment.absorption, rtol=1e-12, atol=0):
                    return "other absorption"
        if sm.Palette(**found.model_dump(mode="json")) != found:
            return "not the same palette when saved"
    elif kind == "recipe":
        data = json.loads(raw.decode("utf-8-sig"))
        if {n: d for n, d in data["recipe"]["doses"].items() if d} != dict(found.recipe.doses):
            return "other doses"
    elif kind == "targets":
        data = json.loads(raw.decode("utf-8-sig"))
        if [t["lab"] for t in data["targets"]] != [list(t.lab) for t in found]:
            return "other colours"
    elif kind == "batch":
        data = json.loads(raw.decode("utf-8-sig"))
        if {n: d for n, d in data["recipe"]["doses"].items() if d} != dict(
            found.rounds[0].recipe.doses
        ):
            return "other doses"
    elif kind in ("orders", "shelf"):
        lines = [s for s in _decoded(raw) if not re.match(r'["\s]*#(?![0-9a-fA-F]{3,6}\W)', s)]
        lines = [line for line in lines if line.strip(' \t,;"')]
        between = max("\t;,", key=lambda m: (m in re.sub('"[^"]*"', "", lines[0]), m != ","))
        rows = list(csv.reader(lines, delimiter=between))
        head = [cell.strip().lower() for cell in rows[0]]
        table = [dict(zip(head, map(str.strip, row), strict=False)) for row in rows[1:]]
        if kind == "orders" and [row["name"] for row in table] != [o.name for o in found]:
            return "other names"
        if kind == "orders":
            for row, order in zip(table, found, strict=True):
                if row.get("bars") and int(row["bars"]) != order.bars:
                    return "another number of bars"
        if kind == "shelf":
            pastes = [row["name"] for row in table if row["kind"] == "paste"]
            if pastes != [t.pigment for t in found.tubes]:
                return "other pastes"
    elif kind == "spectrum":
        cells = [re.split(r"\s*[,;\t]\s*|\s+", line.strip(' ,;"\t')) for line in _decoded(raw)]
        numbers = [(_float(row[0]), _float(row[1])) for row in cells if len(row) == 2]
        known = {nm: r for nm, r in numbers if nm is not None}
        for at, nm in enumerate(NM):
            if nm in known and abs(known[nm] - found.reflectance[at]) > 1e-9:
                return f"another reflectance at {nm} nm"
    return ""


def _decoded(raw: bytes) -> list[str]:
    """The lines of a text file in whatever encoding."""
    wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252")
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _float(text: str) -> float | None:
    try:
        return float(text.strip(' "\t'))
    except ValueError:
        return None


def trial(kind: str, seed: int, folder: Path) -> str:
    """What is wrong with how file number `seed` is read; empty where nothing is."""
    raw, told = spoilt(kind, seed)
    place = folder / "spoilt"
    place.write_bytes(raw)
    try:
        found = READERS[kind](place)
    except ShadematchError as error:
        if told is not None:
            return f"a sound file is refused: {error}"
        lacks = [name for name in ("problem", "field", "remedy") if not getattr(error, name)]
        if lacks:
            return f"refused without {' and '.join(lacks)}: {error}"
        return f"refused in {len(str(error))} letters" if len(str(error)) > 1000 else ""
    except Exception as error:
        return f"{type(error).__name__}: {error}"[:300]
    if told is not None:
        got = told.found(found)
        return "" if abs(got - told.number) < 1e-9 else f"reads {got} for {told.number}"
    try:
        return "; ".join(faults(found)[:3]) or _otherwise(kind, raw, found)
    except Exception as error:
        return f"accepted, then {type(error).__name__}: {error}"[:300]
