"""The batch sheet: what it says, and that other people's words can't hurt it."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

import shadematch as sm
from shadematch.matching.match import Match
from shadematch.predicting.pot import HOT_LIMIT
from shadematch.sheet.content import yield_of
from shadematch.sheet.drawing import PAPER_RULER_CM, scale_for
from shadematch.sheet.words import clean, isolated
from shadematch.studio.recipe import Weighed
from shadematch.support.cautions import CAUTIONS
from shadematch.support.models import shape_of

VOID = {"meta", "br", "rect", "path", "circle", "line"}
NASTY = "<script>alert(1)</script>\"'&amp;<!-- ]]>"


class Page(HTMLParser):
    """A strict reading: every tag closed in order; texts and attributes kept."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def match() -> Match:
    return sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0, white=0.2))


def named(*names: str, dose: float = 1.0) -> tuple[sm.Palette, sm.Recipe]:
    """A palette of pastes with these names, and a recipe that takes all of them."""
    demo = sm.demo_palette()
    pigments = tuple(
        sm.Pigment(name=name, absorption=demo.pigments[i % 5].absorption)
        for i, name in enumerate(names)
    )
    palette = demo.model_copy(update={"pigments": pigments})
    return palette, sm.Recipe(dict.fromkeys(names, dose), sm.Pour(batch_g=1000))


def squeezed(text: str) -> str:
    return " ".join(text.split())


# --- what it says


def test_everything_is_on_it(match: Match) -> None:
    looks = sm.in_the_pot(match.recipe, depth_cm=6.5, drop_mm=2)
    sheet = sm.batch_sheet(
        match,
        title="Ferry order 12",
        date="3 May",
        note="Blue boxes",
        bars=9,
        bar_g=100,
        looks=looks,
        spread={"median": 0.84, "p90": 1.46},
    )
    page = Page(sheet.html)
    wanted = [
        "Ferry order 12",
        "3 May",
        "Blue boxes",
        "800 g clear base + 200 g white base",
        match.target.hex,
        match.predicted.hex,
        f"{match.delta_e:.2f}",
        *CAUTIONS,
        HOT_LIMIT,
        looks.sentence,
        "9 bars of 100 g",
        "70 g are left over",
        "within 0.8",
        "within 1.5",
        match.palette.fingerprint,
        sm.__version__,
        str(match.view),
        "2 cm thick",
        "Weigh.",
        "Melt.",
        "Dose.",
        "Stir.",
        "Check.",
        "Pour.",
        "Spray.",
        "Set.",
    ]
    wanted += list(match.recipe.doses)
    for words in wanted:
        assert words in page.text, words
        assert words in squeezed(sheet.text), words
    for name, dose in match.recipe.doses.items():
        assert f"{dose:g} cm {name}" in page.text
        assert f"{dose:g} cm {name}" in squeezed(sheet.text)
    assert looks.pot.hex in sheet.text
    assert looks.drop.hex in sheet.text
    assert max(map(len, sheet.text.splitlines())) <= 78
    assert str(sheet) == sheet.text


def test_swatches_are_the_colours_and_touch(match: Match) -> None:
    sheet = sm.batch_sheet(match)
    looks = sm.in_the_pot(match.recipe)
    boxes = [a for tag, a in Page(sheet.html).tags if tag == "rect"]
    wanted, predicted, _, pot = boxes[:4]
    assert [b["fill"] for b in (wanted, predicted, pot)] == [
        match.target.hex,
        match.predicted.hex,
        looks.pot.hex,
    ]
    # The wanted one lies below and ends with the predicted one, which covers its right half.
    (left, width), (middle, half) = (
        (float(b["x"]), float(b["width"])) for b in (wanted, predicted)
    )
    assert half == pytest.approx(width / 2)
    assert middle == pytest.approx(left + width / 2)
    drops = [a for tag, a in Page(sheet.html).tags if tag == "circle"]
    assert [d["fill"] for d in drops] == [looks.drop.hex]


@pytest.mark.parametrize("dose", [1.0, 7.5, 15.0, 16.0, 33.5])
def test_bars_are_as_long_as_the_doses(dose: float) -> None:
    palette, recipe = named("dusk", dose=dose)
    html = sm.batch_sheet(recipe, palette=palette).html
    assert "true to size" in html
    drawings = re.findall(
        r'<svg[^>]*aria-label="[^"]* along a ruler" width="([\d.]+)mm" [^>]*viewBox="0 0 ([\d.]+) '
        r'[^>]*><rect [^>]*?width="([\d.]+)"',
        html,
    )
    assert all(float(mm) == float(box) for mm, box, _ in drawings)  # a unit is a millimetre
    assert sum(float(width) for *_, width in drawings) == pytest.approx(10 * dose)


def test_scales() -> None:
    assert [scale_for(x) for x in (0, 1, 15, 15.1, 30, 31, 75, 76, 151, 1e6, 1e7)] == [
        1,
        1,
        1,
        2,
        2,
        5,
        5,
        10,
        20,
        100_000,
        1_000_000,
    ]
    for dose in (200.0, 5e3, 1e7):
        palette, recipe = named("dusk", "kelp", dose=dose)
        html = sm.batch_sheet(recipe, palette=palette).html
        assert f"1 : {scale_for(dose)}, " in html
        widths = re.findall(r'along a ruler"[^>]*><rect [^>]*?width="([\d.]+)"', html)
        assert [float(w) for w in widths] == pytest.approx(
            [10 * dose / scale_for(dose)] * 2, abs=0.01
        )
        assert max(map(float, widths)) <= 10 * PAPER_RULER_CM


@pytest.mark.parametrize(
    ("dose", "shown"),
    [(0.5, "0.5"), (0.1 + 0.2, "0.3"), (12_345.25, "12,345.25"), (1_234_567.5, "1,234,567.5")],
)
def test_lengths_and_masses_are_told_in_full(dose: float, shown: str) -> None:
    palette, recipe = named("dusk", dose=dose)
    sheet = sm.batch_sheet(recipe, palette=palette)
    assert f"{shown} cm dusk" in Page(sheet.html).text
    assert f"{shown} cm dusk" in squeezed(sheet.text)
    masses = {1234.4: "1,234 g", 100.0: "100 g", 99.94: "99.9 g", 0.123: "0.12 g"}
    for mass, told in masses.items():
        text = sm.batch_sheet(sm.Recipe({}, sm.Pour(batch_g=mass))).text
        assert f"WEIGH {told} clear base" in squeezed(text)


def test_no_paste_no_target() -> None:
    sheet = sm.batch_sheet(sm.Recipe({}, sm.Pour(batch_g=50, white=1)))
    assert "no paste at all" in Page(sheet.html).text
    assert "no paste at all" in sheet.text
    assert "50 g white base" in sheet.text
    assert "clear base" not in sheet.text
    assert "wanted" not in sheet.text
    assert "CIEDE2000 " not in sheet.text


def test_a_saved_recipe_and_its_repeat(match: Match, tmp_path: Path) -> None:
    sm.save(match, tmp_path / "m.json", note="from last month")
    saved = sm.read(tmp_path / "m.json")
    assert sm.batch_sheet(saved).html == sm.batch_sheet(match, note="from last month").html
    assert sm.batch_sheet(sm.repeat(saved)).html == sm.batch_sheet(saved).html
    data = match.palette.model_dump(mode="json")
    data["pigments"][0]["absorption"] = [1.5 * v for v in data["pigments"][0]["absorption"]]
    again = sm.repeat(saved, palette=sm.Palette(**data))
    assert again.predicted is not None
    sheet = sm.batch_sheet(again)
    for text in (Page(sheet.html).text, squeezed(sheet.text)):
        assert again.sentence in text
        assert again.predicted.hex in text
        assert again.palette.fingerprint in text
        assert f"CIEDE2000 {again.to_target:.2f}" in text
    # A paste that it doesn't take has gone: the same colour, but nothing is proved of the rest.
    spare = next(n for n in match.palette.names if n not in match.closest.recipe.doses)
    sm.save(match, tmp_path / "c.json", choice=match.closest)
    less = sm.repeat(tmp_path / "c.json", palette=match.palette.without(spare))
    assert less.same
    assert match.proof in squeezed(sm.batch_sheet(sm.read(tmp_path / "c.json")).text)
    assert match.proof not in squeezed(sm.batch_sheet(less).text)
    assert less.palette.fingerprint in sm.batch_sheet(less).text
    gone = sm.repeat(saved, palette=match.palette.without(next(iter(match.recipe.doses))))
    with pytest.raises(sm.PourError, match="no longer has"):
        sm.batch_sheet(gone)
    with pytest.raises(sm.PourError, match="its own palette"):
        sm.batch_sheet(again, palette=match.palette)


def test_let_downs_are_weighed_and_their_base_is_not_melted_twice() -> None:
    weighed = (
        Weighed(sm.LetDown.made("dusk", paste=1, base_g=40), 25.0),
        Weighed(sm.LetDown.made("kelp", paste=1, base_g=50, white=1.0), 10.0),
    )
    doses = {"gorse": 2.0, "dusk": 1.0 + 25 / 40, "kelp": 10 / 50}
    recipe = sm.Recipe(doses, sm.Pour(batch_g=200, white=0.1), weighed)
    sheet = sm.batch_sheet(recipe)
    for text in (Page(sheet.html).text, squeezed(sheet.text)):
        # 180 g clear of which 25 come with dusk, 20 g white of which 10 come with kelp.
        for words in (
            "155 g clear base + 10 g white base",
            "2 cm gorse",
            "1 cm dusk",
            "25 g dusk let-down, 1 cm in 40 g of clear base",
            "10 g kelp let-down, 1 cm in 50 g of white base",
            "Weigh the let-downs and melt them in.",
        ):
            assert words in text
    assert len(re.findall("along a ruler", sheet.html)) == 2
    only = sm.Recipe({"dusk": 25 / 40}, sm.Pour(batch_g=200), weighed[:1])
    assert "Squeeze" not in sm.batch_sheet(only).text
    assert "rulers" not in Page(sm.batch_sheet(only).html).text


def test_the_proof_is_told_of_the_closest_only(match: Match) -> None:
    assert len(match.choices) > 1
    for choice in match.choices:
        told = match.proof in squeezed(sm.batch_sheet(match, choice=choice).text)
        assert told == (choice.recipe == match.closest.recipe)


# --- yield


def test_yield() -> None:
    pour = sm.Pour(batch_g=1000)
    assert yield_of(pour)[1] == "the moulds"
    assert yield_of(pour, bar_g=100)[1] == "9 bars of 100 g"
    assert yield_of(pour, bar_g=97)[1] == "10 bars of 97 g"
    assert yield_of(pour, bars=10)[1] == "10 bars of 97 g"
    assert yield_of(pour, bars=1)[1] == "1 bar of 970 g"
    assert yield_of(pour, bars=4, bar_g=100) == (
        "4 bars of 100 g: 970 g to pour, if 3 % stays in the pot; 570 g are left over.",
        "4 bars of 100 g",
    )
    assert yield_of(pour, bars=10, bar_g=100, loss=0)[1] == "10 bars of 100 g"
    with pytest.raises(sm.PourError, match="9 bars of 100 g") as found:
        yield_of(pour, bars=10, bar_g=100)
    needed = float(re.findall(r"[\d.]+", found.value.remedy)[0])
    assert yield_of(sm.Pour(batch_g=needed), bars=10, bar_g=100)[1] == "10 bars of 100 g"
    with pytest.raises(sm.PourError):
        yield_of(sm.Pour(batch_g=needed - 1), bars=10, bar_g=100)


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"bars": 0}, "bars"),
        ({"bars": 2.5}, "bars"),
        ({"bars": True}, "bars"),
        ({"bars": 10**6}, "bars"),
        ({"bar_g": 0}, "bar_g"),
        ({"bar_g": float("nan")}, "bar_g"),
        ({"bar_g": "100"}, "bar_g"),
        ({"bar_g": 99_999}, "bars"),
        ({"loss": 1}, "loss"),
        ({"loss": -0.1}, "loss"),
        ({"loss": float("nan")}, "loss"),
        ({"title": "t" * 121}, "title"),
        ({"title": 3}, "title"),
        ({"date": "d" * 41}, "date"),
        ({"note": "n" * 2001}, "note"),
        ({"note": "n\n" * 13}, "note"),
        ({"note": "漢" * 400}, "note"),
        ({"spread": {"median": 1}}, "spread.p90"),
        ({"spread": {"median": 2, "p90": 1}}, "spread.median"),
        ({"spread": {"median": float("nan"), "p90": 1}}, "spread.median"),
        ({"spread": SimpleNamespace(median=1)}, "spread.p90"),
        ({"looks": "dark"}, "looks"),
        ({"looks": sm.in_the_pot({"gorse": 1})}, "looks"),
    ],
)
def test_what_cant_be(match: Match, more: dict[str, object], field: str) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.batch_sheet(match, **more)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_spread_as_an_object(match: Match) -> None:
    one = sm.batch_sheet(match, spread=SimpleNamespace(median=0.5, p90=1.0))
    assert one == sm.batch_sheet(match, spread={"median": 0.5, "p90": 1.0})


# --- other people's words


def test_nothing_runs_and_nothing_is_fetched(match: Match) -> None:
    sheet = sm.batch_sheet(match, title=NASTY, date=NASTY[:40], note=NASTY)
    page = Page(sheet.html)
    assert {tag for tag, _ in page.tags} <= {
        *("html", "head", "meta", "title", "style", "body", "main", "header", "h1", "h2", "div"),
        *("span", "section", "svg", "rect", "path", "circle", "line", "text", "b", "br", "small"),
        *("ol", "ul", "li", "p", "footer"),
    }
    for _, attributes in page.tags:
        assert not {"src", "href", "srcset", "srcdoc", "data"} & set(attributes)
        assert not any(key.startswith("on") for key in attributes)
        assert "url(" not in attributes.get("style", "")
    assert "url(" not in re.findall("<style>.*?</style>", sheet.html, re.DOTALL)[0]
    assert "@import" not in sheet.html
    policy = dict(page.tags[[t for t, _ in page.tags].index("meta") + 1][1])
    assert "default-src 'none'" in policy["content"]
    assert page.text.count("<script>alert(1)</script>") >= 2  # as words


letters = st.characters(exclude_categories=["Cs"])
words_ = st.text(
    letters | st.sampled_from("<>&\"'\u202e\u2067\u2069\0\n\r\x85\u2028א漢"), max_size=30
)
seen = st.characters(
    exclude_categories=["Cs", "Cc", "Zl", "Zp"],
    exclude_characters="\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069",
)
names_ = st.text(seen | st.sampled_from("<>&\"'א漢"), min_size=1, max_size=30)
names_ = names_.map(str.strip).filter(shape_of)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(names_, min_size=1, max_size=8, unique_by=shape_of), words_, words_)
def test_any_words_come_out_as_they_went_in(names: list[str], title: str, note: str) -> None:
    palette, recipe = named(*names)
    sheet = sm.batch_sheet(recipe, palette=palette, title=title, note=note)
    page = Page(sheet.html)
    plain = squeezed(page.text)
    assert squeezed(clean(title)) in plain
    for line in clean(note, lines=True).split("\n"):
        assert squeezed(line) in plain
        assert squeezed(line) in squeezed(sheet.text)
    for name in names:
        assert squeezed(clean(name)) in plain
        assert squeezed(clean(name)) in squeezed(sheet.text)
    assert all(tag not in ("script", "img", "iframe", "link") for tag, _ in page.tags)
    sheet.html.encode("utf-8")
    assert not set("\0\u202e\u2067") & set(sheet.html + sheet.text.replace("\u2068", ""))


def test_direction_of_writing(match: Match) -> None:
    note = "first line\nשורה שנייה, 3 cm"
    sheet = sm.batch_sheet(match, note=note)
    lines = [a for tag, a in Page(sheet.html).tags if tag == "p" and "dir" in a]
    assert [a["dir"] for a in lines] == ["auto", "auto"]
    assert "\u2068שורה שנייה, 3 cm\u2069" in sheet.text
    assert "\u2068first" not in sheet.text
    palette, recipe = named("ورد", "gorse", dose=3)
    text = sm.batch_sheet(recipe, palette=palette).text
    # Else a terminal would draw the 3 to the left of the name.
    assert "3 cm  \u2068ورد\u2069" in text
    assert "3 cm  gorse" in text


@pytest.mark.parametrize(
    ("given_", "kept"),
    [
        ("a\0b\tc", "a b c"),
        ("a\r\nb\rc", "a b c"),
        ("\u202eabc", "\ufffdabc"),
        ("a\ud800", "a\ufffd"),
        ("a\ufffe\ufdd0", "a\ufffd\ufffd"),
        ("  ", ""),
        ("ne\u0301e \U0001f9fc", "ne\u0301e \U0001f9fc"),
    ],
)
def test_clean(given_: str, kept: str) -> None:
    assert clean(given_) == kept
    assert isolated(kept) == kept


# --- files and notebooks


def test_saved_by_suffix(match: Match, tmp_path: Path) -> None:
    sheet = sm.batch_sheet(match)
    for name, content in (("a.html", sheet.html), ("b.HTM", sheet.html), ("c.txt", sheet.text)):
        sheet.save(tmp_path / name)
        assert (tmp_path / name).read_text(encoding="utf-8") == content
    for name in ("d.pdf", "e", "no/f.html"):
        with pytest.raises(sm.FileError):
            sheet.save(tmp_path / name)
    assert len(list(tmp_path.iterdir())) == 3


def test_in_a_notebook_it_stays_in_its_frame(match: Match) -> None:
    sheet = sm.batch_sheet(match, title=NASTY)
    page = Page(sheet._repr_html_())
    (frame,) = page.tags
    assert frame[0] == "iframe"
    assert frame[1]["sandbox"] == ""
    assert frame[1]["srcdoc"] == sheet.html


def test_repeatable(match: Match) -> None:
    assert sm.batch_sheet(match) == sm.batch_sheet(match)


def test_spread_is_worked_out_or_left_out(match: Match) -> None:
    whole = sm.spread(match.recipe, palette=match.palette, view=match.view, target=match.target)
    text = " ".join(sm.batch_sheet(match).text.split())
    assert f"within {whole.median:.1f}, nine in ten within {whole.p90:.1f}" in text
    assert f"why {whole.mainly}" in text
    assert sm.batch_sheet(match) == sm.batch_sheet(match, spread=whole)
    assert "nine in ten" not in sm.batch_sheet(match, spread=False).text
