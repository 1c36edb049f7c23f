"""The batch sheet printed by a browser: one page on A4 and on Letter, rulers true to size.

Chromium prints, pypdfium2 reads the PDF. Where no Chromium is installed these tests are skipped,
and say so.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pypdfium2
import pypdfium2.raw as raw
import pytest

import shadematch as sm
from shadematch.sheet.batch import BatchSheet

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None,
    reason="NOT CHECKED: the printed page; install chromium (apt install chromium)",
)

PAPERS = {
    "A4": (210.0, 297.0),  # ISO 216
    "Letter": (215.9, 279.4),  # ANSI/ASME Y14.1: 8.5 by 11 inches
}
MM = 72.0 / 25.4

Print = Callable[[BatchSheet, str], pypdfium2.PdfDocument]


@pytest.fixture
def printed(tmp_path: Path) -> Print:
    def print_(sheet: BatchSheet, paper: str) -> pypdfium2.PdfDocument:
        assert sheet.html.count("@page {") == 1
        html = sheet.html.replace("@page {", f"@page {{ size: {paper};")
        (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
        goal = tmp_path / f"{paper}.pdf"
        subprocess.run(
            [
                str(CHROMIUM),
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--no-first-run",
                "--disable-quic",
                "--disable-background-networking",
                "--disable-sync",
                "--disable-component-update",
                f"--user-data-dir={tmp_path / 'profile'}",
                "--no-pdf-header-footer",
                f"--print-to-pdf={goal}",
                (tmp_path / "sheet.html").as_uri(),
            ],
            check=True,
            capture_output=True,
            timeout=120,
        )
        return pypdfium2.PdfDocument(goal)

    return print_


def named(
    names: list[str], doses: list[float], white: float = 0.35
) -> tuple[sm.Palette, sm.Recipe]:
    demo = sm.demo_palette()
    pigments = tuple(
        # A little stronger, so that no sheet says that they are the demo's.
        sm.Pigment(name=name, absorption=tuple(1.01 * a for a in demo.pigments[i % 5].absorption))
        for i, name in enumerate(names)
    )
    pour = sm.Pour(batch_g=5000, thickness_cm=2.5, white=white)
    palette = demo.model_copy(update={"pigments": pigments})
    return palette, sm.Recipe(dict(zip(names, doses, strict=True)), pour)


def simple() -> BatchSheet:
    pour = sm.Pour(batch_g=1000, thickness_cm=2.0)
    return sm.batch_sheet(sm.match("#d9822b", pour=pour), title="Ferry order 12", bars=9, bar_g=100)


def scripts() -> BatchSheet:
    """Eight pastes in other scripts, some long; a right-to-left note as long as is permitted."""
    names = [
        "gorse from the third shelf by the window, opened in spring and thinned a little since",
        "ورد بري أحمر غامق",
        "桟橋の青い顔料ペースト（二番棚）",
        "шиповник тёмный",
        "κυανό της προκυμαίας",
        "गेरू लाल मिट्टी",
        "rosehip, second tube",
        "kelp",
    ]
    palette, recipe = named(names, [3, 16, 22, 1, 9, 40, 12.5, 7])
    note = "\n".join(["הערה מימין לשמאל עם מספרים 123 ומילים English words בפנים."] * 5 + ["end."])
    return sm.batch_sheet(
        recipe,
        palette=palette,
        title="مصبنة العبّارة: " + "طلب الربيع " * 8,
        note=note,
        date="٣ مايو ٢٠٢٦",
        bars=48,
        spread={"median": 0.8, "p90": 1.6},
    )


def crammed(tmp_path: Path, letter: str) -> BatchSheet:
    """As much of everything as is permitted, and a palette that has changed."""
    names = [letter * 199 + str(i) for i in range(8)]
    palette, recipe = named(names, [123.5 + i for i in range(8)])
    saved = tmp_path / "saved.json"
    sm.save(recipe, saved, palette=palette)
    other = palette.model_copy(update={"white": palette.clear})
    again = sm.repeat(saved, palette=other)
    return sm.batch_sheet(
        again, title=letter * 120, date=letter * 20, note="\n".join(["note"] * 12), bars=3
    )


def eight(tmp_path: Path) -> BatchSheet:
    """Eight doses that fit true to size, and a palette that has changed."""
    names = [f"paste {i}" for i in range(8)]
    palette, recipe = named(names, [1.0 + i for i in range(8)], white=0.0)
    sm.save(recipe, tmp_path / "saved.json", palette=palette, note="word " * 90)
    other = palette.model_copy(update={"clear": palette.white})
    return sm.batch_sheet(sm.repeat(tmp_path / "saved.json", palette=other))


def several(count: int, dose: float) -> BatchSheet:
    names = [f"a paste of middling name {i}" for i in range(count)]
    palette, recipe = named(names, [dose] * count)
    return sm.batch_sheet(recipe, palette=palette, note="line\n" * 9)


def check_one_page(document: pypdfium2.PdfDocument, paper: str) -> None:
    width, height = document[0].get_size()
    assert (width / MM, height / MM) == pytest.approx(PAPERS[paper], abs=0.4)
    assert len(document) == 1
    # Nothing lies in the margins or off the page.
    for thing in document[0].get_objects():
        left, bottom, right, top = thing.get_bounds()
        if right - left < width - 1:  # the background goes all the way
            assert left > 9 * MM
            assert right < width - 9 * MM
            assert bottom > 9 * MM
            assert top < height - 9 * MM
    text = " ".join(document[0].get_textpage().get_text_bounded().split())
    for words in ("Hot base burns the skin", "licensed practice come first", "Set. Leave it"):
        assert words in text


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("make", [simple, scripts])
def test_one_page(printed: Print, paper: str, make: Callable[[], BatchSheet]) -> None:
    sheet = make()
    check_one_page(printed(sheet, paper), paper)


@pytest.mark.parametrize("letter", ["W", "漢", "ع"])
def test_one_page_of_the_most_that_is_permitted(
    printed: Print, tmp_path: Path, letter: str
) -> None:
    sheet = crammed(tmp_path, letter)
    assert "no room for rulers" in sheet.html
    check_one_page(printed(sheet, "Letter"), "Letter")


def test_one_page_of_eight_pastes(printed: Print, tmp_path: Path) -> None:
    sheet = eight(tmp_path)
    assert "true to size" in sheet.html
    check_one_page(printed(sheet, "Letter"), "Letter")


@pytest.mark.parametrize(("count", "dose"), [(3, 29.0), (4, 14.0), (6, 15.0), (1, 0.0)])
def test_one_page_whatever_the_size_of_its_words(printed: Print, count: int, dose: float) -> None:
    sheet = several(count, dose)
    check_one_page(printed(sheet, "Letter"), "Letter")


def test_rulers_are_true_to_size(printed: Print) -> None:
    palette, recipe = named(["dusk"], [12.0])
    sheet = sm.batch_sheet(recipe, palette=palette)
    code = sm.predict({"dusk": 2}, palette=palette, pour=sm.Pour(batch_g=100)).hex
    known = tuple(int(code[i : i + 2], 16) for i in (1, 3, 5))
    for paper in PAPERS:
        things = printed(sheet, paper)[0].get_objects()
        bars = [thing.get_bounds() for thing in things if filled_with(thing) == known]
        assert len(bars) == 1
        # Its outline adds 0.2 mm.
        assert (bars[0][2] - bars[0][0]) / MM == pytest.approx(120.0, abs=0.45)


def filled_with(thing: pypdfium2.PdfObject) -> tuple[int, ...] | None:
    if thing.type != raw.FPDF_PAGEOBJ_PATH:
        return None
    parts = [ctypes.c_uint() for _ in range(4)]
    if not raw.FPDFPageObj_GetFillColor(thing, *map(ctypes.byref, parts)):
        return None
    return tuple(part.value for part in parts[:3])
