"""One report, drawn as text and as a card."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from shadematch.support.cautions import CAUTIONS
from shadematch.support.html import DARK, LIGHT
from shadematch.support.mark import HATCHED, MARKED, runs
from shadematch.support.report import Apart, Report, Reported, Row, Swatch, Table, rows_of
from shadematch.support.svg import colour_strip

NASTY = "<script>alert(1)</script> & 'co' \"x\""


class Words(HTMLParser):
    """What a reader sees, which elements there are, and whether each is closed."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.text, self.tags, self.open = "", [], list[str]()
        self.feed(html)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002
        self.tags.append(tag)
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


FULL = Report(
    title="It can be made.",
    swatches=(Swatch("#d9822b", "wanted"), Swatch("#d07a20", "predicted", in_srgb=False)),
    rows=(
        Row("recipe", ("2 cm gorse", "1 cm rosehip")),
        Row("load", "1.50", "cm per 100 g"),
        Row("L*", "45.2", range="44.0 to 46.1", note="at 90 %"),
        Row("predicted", "Lab (1.0, 2.0, 3.0)", swatch=Swatch("#d07a20", in_srgb=False)),
        *rows_of("verdict", ("Nothing holds it back.", "Pour it.")),
    ),
    details=(Row("palette", "123abc"),),
    tables=(Table(("mass", "best"), (("5 g", "gorse"), ("500 g", "kelp")), frozenset({0}), "all"),),
    notes=("Keep it dry.",),
)


def test_text_is_aligned() -> None:
    assert FULL.text() == "\n".join(
        (
            "It can be made.",
            "recipe     2 cm gorse, 1 cm rosehip",
            "load       1.50 cm per 100 g",
            "L*         45.2 (44.0 to 46.1; at 90 %)",
            "predicted  Lab (1.0, 2.0, 3.0), #d07a20 (outside sRGB, nearest shown)",
            "verdict    Nothing holds it back.",
            "           Pour it.",
            "palette    123abc",
            "all",
            " mass  best",
            "  5 g  gorse",
            "500 g  kelp",
            "Keep it dry.",
        )
    )
    assert str(FULL) == FULL.text()


def test_long_labels_widen_the_column() -> None:
    lines = Report(rows=(Row("a", "1"), Row("in the large pot", "2"))).text().splitlines()
    assert lines == ["a                 1", "in the large pot  2"]


@pytest.mark.parametrize("width", [40, 60, 200])
def test_long_lines_break_between_words(width: int) -> None:
    long = Report(title="word " * 30, rows=(Row("x", "a-b " * 60),), notes=("note " * 30,))
    text = long.text(width)
    assert max(map(len, text.splitlines())) <= width
    assert text.split() == long.text().split()
    assert {line[:11] for line in text.splitlines() if "a-b" in line} == {"x          ", " " * 11}


def test_lines_of_a_value_stay_lines() -> None:
    assert Report(rows=(Row("note", "one\ntwo"),)).text() == "note       one\n           two"
    assert "one<br>two" in Report(rows=(Row("note", "one\ntwo"),)).html()


def test_a_card_says_all_that_the_text_says() -> None:
    seen = Words(FULL.html())
    for words in re.split(r"[\n,;()]|  +", FULL.text()):
        assert words.strip() in seen.text, words
    assert seen.tags.count("details") == 3  # details, the table, and cautions in full
    assert seen.tags.index("details") > seen.tags.index("dl")


def test_cautions_are_in_sight_unless_nothing_is_poured() -> None:
    html = FULL.html()
    assert all(Words(html).text.count(caution) == 1 for caution in CAUTIONS)
    # In short outside of what is folded away, in full when that is opened.
    (summary,) = re.findall(r"<summary>(Cautions: .*?)</summary>", html)
    for word in ("hot base burns", "flammable", "cosmetics", "powder dust", "local rules"):
        assert word in summary
    without = Report(rows=FULL.rows, cautions=False).html()
    assert CAUTIONS[0] not in without and summary not in without


def test_what_is_outside_srgb_has_one_mark_and_one_legend() -> None:
    html = FULL.html()
    assert html.count(MARKED) == 3  # a swatch, a chip, and the legend
    assert Words(html).text.count(HATCHED) == 1
    assert MARKED not in Report(swatches=FULL.swatches[:1]).html()
    strip = colour_strip(["#d9822b"] * 5, "strip", in_srgb=[True, False, False, True, False])
    assert strip.count(MARKED) == 2  # stretches, not pieces
    assert runs([True, False, False, True, False]) == [(1, 3), (4, 5)]
    assert runs([]) == []


@pytest.mark.parametrize(
    ("apart", "words"),
    [
        (Apart(0.59), "CIEDE2000 0.59"),
        (Apart(2.0, 1.2, 3.4), "CIEDE2000 2.00 (1.2 to 3.4)"),
        (Apart(40.0), "CIEDE2000 40.00"),
    ],
)
def test_how_far_two_colours_are_stands_beside_them(apart: Apart, words: str) -> None:
    html = Report(swatches=FULL.swatches, apart=apart).html()
    assert words in Words(html).text
    # What is marked lies where its number is: between the ticks around it.
    ticks = [float(x) for x in re.findall(r'<text x="([\d.]+)" y="51', html)]
    assert ticks == sorted(ticks) and len(ticks) == 5
    (at,) = (float(x) for x in re.findall(r'<path d="M([\d.]+) \d+[hl]', html))
    middle = at + (5 if apart.delta_e <= 10 else 2)
    below = max(i for i, tick in enumerate((0, 1, 2, 5, 10)) if tick <= apart.delta_e)
    assert ticks[below] - 0.1 <= middle <= (ticks[below + 1] if below < 4 else ticks[4] + 0.1)


def test_everything_is_escaped() -> None:
    swatch = Swatch(NASTY, NASTY)
    row = Row(label=NASTY, value=(NASTY, NASTY), unit=NASTY, swatch=swatch, range=NASTY, note=NASTY)
    table = Table((NASTY,), ((NASTY,), (swatch,)), title=NASTY)
    html = Report(
        title=NASTY,
        swatches=(swatch,),
        pictures=(),
        rows=(row,),
        details=(row,),
        tables=(table,),
        notes=(NASTY,),
    ).html()
    seen = Words(html)
    assert "script" not in seen.tags
    assert seen.text.count(NASTY) >= 15


def test_swatches_touch_on_a_terminal() -> None:
    line = FULL.patches()
    assert line.startswith("wanted #d9822b \x1b[48;2;217;130;43m")
    assert "\x1b[0m\x1b[48;2;208;122;32m" in line
    assert Report(swatches=FULL.swatches[:1]).patches().count("\x1b[0m") == 1
    # The same mark: what sRGB does not show ends in //.
    assert line.count("//\x1b[0m") == 1 and FULL.legend == "// outside sRGB, nearest shown"
    assert Report(swatches=FULL.swatches[:1]).legend == ""


def luminance(code: str) -> float:
    """Relative luminance (W3C, WCAG 2.1)."""
    parts = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_ink_is_readable_on_its_paper(colours: dict[str, str]) -> None:
    """At least 4.5 to 1 for text, 3 to 1 for what drawings tell (WCAG 2.1, 1.4.3 and 1.4.11)."""
    html = FULL.html()
    for name, least in (("ink", 4.5), ("quiet", 4.5), ("mark", 3.0), ("curve", 3.0)):
        assert f"--sm-{name}:{colours[name]}" in html
        ink, paper = sorted((luminance(colours[name]), luminance(colours["paper"])))
        assert (paper + 0.05) / (ink + 0.05) >= least, name


class Said(Reported):
    def report(self) -> Report:
        return FULL


def test_a_result_says_itself_by_its_report() -> None:
    assert str(Said()) == FULL.text()
    assert Said()._repr_html_() == FULL.html()
    assert FULL.plus(Row("kept", "a.json")).text().endswith("Keep it dry.")
    assert "kept       a.json" in FULL.plus(Row("kept", "a.json")).text()
