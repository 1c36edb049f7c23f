"""What a result says, said once: text, card and command line draw from it.

A result makes one `Report` of rows, tables and swatches in `Reported.report`; nothing else in the
library pads labels, writes HTML for cards or paints patches.
"""

from __future__ import annotations

import textwrap
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final, Protocol

from shadematch.support.cautions import CAUTIONS
from shadematch.support.html import box, element, folded, paragraph

__all__ = ["Report", "Reported", "Row", "Seen", "Swatch", "Table", "lab_words", "rows_of"]

_LABEL: Final = 11
"""Letters that a column of labels is wide at least."""
_LONGEST_LABEL: Final = 22
_FEW: Final = 4
"""Swatches that are drawn wide, with their codes."""


def lab_words(lab: Iterable[float]) -> str:
    """CIELAB in words, to a tenth."""
    return f"Lab ({', '.join(f'{v:z.1f}' for v in lab)})"


class Seen(Protocol):
    """A colour as results tell it."""

    @property
    def lab(self) -> tuple[float, float, float]:
        """CIELAB."""

    @property
    def hex(self) -> str:
        """Nearest sRGB code."""

    @property
    def in_srgb(self) -> bool:
        """Whether the code shows the colour without clipping."""


@dataclass(frozen=True)
class Swatch:
    """A colour to look at.

    Attributes
    ----------
    hex
        Nearest sRGB code.
    label
        Whose colour it is.
    in_srgb
        Whether the code shows the colour without clipping.
    """

    hex: str
    label: str = ""
    in_srgb: bool = True

    @classmethod
    def of(cls, seen: Seen, label: str = "") -> Swatch:
        """Of a colour."""
        return cls(seen.hex, label, seen.in_srgb)

    def __str__(self) -> str:
        """The code, and what it doesn't show."""
        return f"{self.hex} ({self.remark})" if self.remark else self.hex

    @property
    def remark(self) -> str:
        """What the code doesn't show."""
        return "" if self.in_srgb else "outside sRGB, nearest shown"

    def patch(self, width: int = 10) -> str:
        """It on a terminal, so many letters wide."""
        red, green, blue = bytes.fromhex(self.hex.removeprefix("#"))
        return f"\x1b[48;2;{red};{green};{blue}m{' ' * width}\x1b[0m"

    def html(self, width_em: float | None = None) -> str:
        """It on a card: so wide and with its label below, or a chip in a line of text."""
        code = escape(self.hex, quote=True)
        if width_em is None:
            return f'<span class="sm-chip" style="background:{code}"></span>{code}'
        words = [escape(self.label), *([escape(str(self))] if width_em > _FEW else [])]
        return element(
            "div",
            f'<div style="height:4em;background:{code}"></div>'
            + element("div", "<br>".join(filter(None, words)), class_="sm-small"),
            style=f"flex:0 1 {width_em:g}em",
            title=str(self),
        )


@dataclass(frozen=True)
class Row:
    """One thing that is said.

    Attributes
    ----------
    label
        What it is; a row with the label of the one before goes on with it.
    value
        Words or a figure; several are a list, such as doses.
    unit
        Of the figure.
    swatch
        The colour that is spoken of.
    range
        What holds nine times in ten, or as it says.
    note
        What to know of the value.
    """

    label: str
    value: str | tuple[str, ...] = ""
    unit: str = ""
    swatch: Swatch | None = None
    range: str = ""
    note: str = ""

    @classmethod
    def colour(cls, label: str, seen: Seen, note: str = "") -> Row:
        """A colour: its CIELAB and its swatch."""
        return cls(label, lab_words(seen.lab), swatch=Swatch.of(seen), note=note)

    @property
    def words(self) -> str:
        """All but the label."""
        shown = "" if self.swatch is None else self.swatch.hex
        return self._joined(", ".join(filter(None, (self._value(", "), shown))))

    def html(self) -> str:
        """All but the label, as HTML."""
        value = escape(self._value("\n")).replace("\n", "<br>")
        shown = "" if self.swatch is None else self.swatch.html()
        return self._joined(" ".join(filter(None, (value, shown))), escape)

    def _value(self, between: str) -> str:
        value = self.value if isinstance(self.value, str) else between.join(self.value)
        return f"{value} {self.unit}" if self.unit else value

    def _joined(self, said: str, made: Any = str) -> str:
        remark = "" if self.swatch is None else self.swatch.remark
        aside = "; ".join(made(text) for text in (self.range, remark, self.note) if text)
        return f"{said} ({aside})" if said and aside else said or aside


def rows_of(label: str, values: Iterable[str]) -> tuple[Row, ...]:
    """A row for each value, under one label."""
    return tuple(Row(label, value) for value in values)


@dataclass(frozen=True)
class Table:
    """Things listed in columns.

    Attributes
    ----------
    head
        Names of the columns.
    rows
        Cells, as many as there are columns.
    right
        Columns of figures, which end flush.
    title
        What is listed.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str | Swatch, ...], ...]
    right: frozenset[int] = frozenset()
    title: str = ""

    def lines(self) -> list[str]:
        """Aligned lines of text."""
        cells = [[str(cell) for cell in row] for row in (self.head, *self.rows)]
        widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
        return [
            "  ".join(
                cell.rjust(width) if at in self.right else cell.ljust(width)
                for at, (cell, width) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in cells
        ]

    def html(self) -> str:
        """It on a card, folded where it has a title."""
        made = [self._line("th", self.head), *(self._line("td", row) for row in self.rows)]
        head = element("thead", made[0]) if any(self.head) else ""
        table = element("table", head + element("tbody", "".join(made[1:])))
        wide = element("div", table, class_="sm-wide")
        return folded(self.title, [wide]) if self.title else wide

    def _line(self, tag: str, cells: Iterable[str | Swatch]) -> str:
        return element(
            "tr",
            "".join(
                element(
                    tag,
                    escape(cell) if isinstance(cell, str) else cell.html(),
                    **({"class_": "sm-right"} if at in self.right else {}),
                )
                for at, cell in enumerate(cells)
            ),
        )


@dataclass(frozen=True)
class Report:
    """All that a result says.

    Attributes
    ----------
    title
        The answer in a sentence, where one holds it.
    swatches
        Colours to compare; they touch.
    pictures
        Drawings as SVG, for the card alone.
    rows
        What everybody wants to know.
    details
        What some want to know; folded away on the card.
    tables
        What it lists.
    notes
        Sentences at the end.
    cautions
        Whether the cautions belong to it: to whatever may be poured.
    """

    title: str = ""
    swatches: tuple[Swatch, ...] = ()
    pictures: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    details: tuple[Row, ...] = ()
    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: bool = True

    def __str__(self) -> str:
        """The text."""
        return self.text()

    def _repr_html_(self) -> str:
        return self.html()

    def plus(self, *rows: Row) -> Report:
        """The same with more rows."""
        return replace(self, rows=(*self.rows, *rows))

    def text(self, width: int | None = None) -> str:
        """Plain text, without pictures and cautions.

        Parameters
        ----------
        width
            Letters to a line, long lines being broken between words; None leaves them whole.
        """
        rows = (*self.rows, *self.details)
        indent = max([_LABEL, *(min(len(row.label), _LONGEST_LABEL) + 2 for row in rows)])
        lines = list(_broken(self.title, width)) if self.title else []
        for label, row in _labelled(rows):
            lines += _broken(row.words, width, label.ljust(indent - 2) + "  ", " " * indent)
        for table in self.tables:
            lines += [table.title] if table.title else []
            lines += table.lines()
        for note in self.notes:
            lines += _broken(note, width)
        return "\n".join(line.rstrip() for line in lines)

    def patches(self) -> str:
        """The swatches as a line for a terminal; two touch, and so do many."""
        if len(self.swatches) == 2:
            # Touching, because the eye compares best without a gap.
            one, other = self.swatches
            ends = f"{one.label} {one.hex} ", f" {other.hex} {other.label}"
            return f"{ends[0]}{one.patch()}{other.patch()}{ends[1]}"
        if len(self.swatches) > _FEW:
            touching = "".join(s.patch(5) for s in self.swatches)
            return f"{self.swatches[0].label} {touching} {self.swatches[-1].label}"
        return "  ".join(f"{s.label} {s.hex} {s.patch()}" for s in self.swatches)

    def html(self) -> str:
        """A card; the cautions, where they belong to it, are always in sight."""
        width = 8.5 if len(self.swatches) <= _FEW else 3.8
        swatches = "".join(swatch.html(width) for swatch in self.swatches)
        return box(
            (
                element("p", element("strong", escape(self.title))) if self.title else "",
                element("div", swatches, class_="sm-colours") if swatches else "",
                *self.pictures,
                _listed(self.rows),
                *(table.html() for table in self.tables),
                folded("more", [_listed(self.details)]) if self.details else "",
                *map(paragraph, self.notes),
                paragraph(" ".join(CAUTIONS), small=True) if self.cautions else "",
            )
        )


class Reported(ABC):
    """What says itself by a report: as text, and in a notebook as a card."""

    @abstractmethod
    def report(self) -> Report:
        """All that it says."""

    def __str__(self) -> str:
        """In plain words."""
        return self.report().text()

    def _repr_html_(self) -> str:
        return self.report().html()


def _labelled(rows: Iterable[Row]) -> Iterator[tuple[str, Row]]:
    """Each row and its label, which is not repeated."""
    last = ""
    for row in rows:
        yield ("" if row.label == last else row.label), row
        last = row.label


def _listed(rows: tuple[Row, ...]) -> str:
    if not rows:
        return ""
    pairs = (
        element("dt", escape(label)) + element("dd", row.html()) for label, row in _labelled(rows)
    )
    return element("dl", "".join(pairs))


def _broken(text: str, width: int | None, first: str = "", rest: str = "") -> Iterator[str]:
    """Lines with a hanging indent; what was a line stays one where there is no width."""
    for line in text.splitlines() or [""]:
        if width is None:
            yield first + line
        else:
            yield from textwrap.wrap(
                line,
                width,
                initial_indent=first,
                subsequent_indent=rest,
                break_on_hyphens=False,
                break_long_words=False,
            ) or [first]
        first = rest
