"""The parts of a report: swatches, differences, rows and tables, as text and as HTML."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from typing import Final, Protocol

from shadematch.support.html import element, folded
from shadematch.support.mark import LETTERS, OUTSIDE, key
from shadematch.support.svg import difference_scale

__all__ = ["FEW", "Apart", "Row", "Seen", "Swatch", "Table", "lab_words", "rows_of"]

FEW: Final = 4
"""Up to so many swatches are drawn wide, with their codes."""


def lab_words(lab: Iterable[float]) -> str:
    """CIELAB in words, to one decimal."""
    return f"Lab ({', '.join(f'{v:z.1f}' for v in lab)})"


class Seen(Protocol):
    """A colour as results have it."""

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
    hex, in_srgb
        Nearest sRGB code, and whether it shows the colour without clipping.
    label
        Whose colour it is.
    """

    hex: str
    label: str = ""
    in_srgb: bool = True

    @classmethod
    def of(cls, seen: Seen, label: str = "") -> Swatch:
        """The swatch of a colour."""
        return cls(seen.hex, label, seen.in_srgb)

    def __str__(self) -> str:
        """The code, and what it doesn't show."""
        return f"{self.hex} ({self.remark})" if self.remark else self.hex

    @property
    def remark(self) -> str:
        """What the code doesn't show."""
        return "" if self.in_srgb else OUTSIDE

    def patch(self, width: int = 10) -> str:
        """It on a terminal, `width` characters wide; outside sRGB it ends in ``//``."""
        red, green, blue = bytes.fromhex(self.hex.removeprefix("#"))
        ground = f"\x1b[48;2;{red};{green};{blue}m"
        if self.in_srgb:
            return f"{ground}{' ' * width}\x1b[0m"
        return f"{ground}{' ' * (width - len(LETTERS))}\x1b[30;47m{LETTERS}\x1b[0m"

    def html(self, width_em: float | None = None) -> str:
        """It on a card: `width_em` wide with its label below, or a chip in a line of text."""
        code = escape(self.hex, quote=True)
        mark = "" if self.in_srgb else key()
        if width_em is None:
            return f'<span class="sm-chip" style="background:{code}">{mark}</span>{code}'
        words = [escape(self.label), *([code] if width_em > FEW else [])]
        return element(
            "div",
            f'<div style="height:4em;background:{code}">{mark}</div>'
            + element("div", "<br>".join(filter(None, words)), class_="sm-small"),
            style=f"flex:0 1 auto;width:{width_em:g}em",
            title=str(self),
        )


@dataclass(frozen=True)
class Apart:
    """The difference between two swatches.

    Attributes
    ----------
    delta_e
        CIEDE2000.
    low, high
        Its range in nine of ten cases, if known.
    """

    delta_e: float
    low: float | None = None
    high: float | None = None

    def html(self) -> str:
        """It on a card: a small scale beside the swatches."""
        return difference_scale(self.delta_e, self.low, self.high)


@dataclass(frozen=True)
class Row:
    """One statement.

    Attributes
    ----------
    label
        What it is about; a row with the label of the one before continues it.
    value
        Words or a figure; several are a list, such as doses.
    unit
        Of the figure.
    swatch
        The colour it is about.
    range
        The range in nine of ten cases, or as it says.
    note
        A remark.
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
        """Everything but the label."""
        shown = "" if self.swatch is None else self.swatch.hex
        remark = "" if self.swatch is None else self.swatch.remark
        return self._joined(", ".join(filter(None, (self._value(", "), shown))), remark)

    def html(self) -> str:
        """Everything but the label, as HTML; the mark in the chip says what is outside sRGB."""
        value = escape(self._value("\n")).replace("\n", "<br>")
        shown = "" if self.swatch is None else self.swatch.html()
        return self._joined(" ".join(filter(None, (value, shown))), "", escape)

    def _value(self, between: str) -> str:
        value = self.value if isinstance(self.value, str) else between.join(self.value)
        return f"{value} {self.unit}" if self.unit else value

    def _joined(self, said: str, remark: str, made: Callable[[str], str] = str) -> str:
        aside = "; ".join(made(text) for text in (self.range, remark, self.note) if text)
        return f"{said} ({aside})" if said and aside else said or aside


def rows_of(label: str, values: Iterable[str]) -> tuple[Row, ...]:
    """A row for each value, under one label."""
    return tuple(Row(label, value) for value in values)


@dataclass(frozen=True)
class Table:
    """A list in columns.

    Attributes
    ----------
    head, rows
        Names of the columns, and cells.
    right
        Positions of columns of figures, which are flush right.
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
        """It on a card, folded away if it has a title."""
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
