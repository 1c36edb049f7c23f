"""What a result says, said once: text, card and command line draw from it.

A result makes one `Report` in `Reported.report`; nothing else pads labels, writes HTML for cards
or paints patches.
"""

from __future__ import annotations

import textwrap
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from html import escape
from typing import Final

from shadematch.support.cautions import CAUTIONS, IN_SHORT
from shadematch.support.html import box, element, folded, paragraph
from shadematch.support.mark import HATCHED, LETTERS, MARKED, OUTSIDE, key
from shadematch.support.rows import FEW, Apart, Row, Seen, Swatch, Table, lab_words, rows_of

__all__ = [
    "Apart",
    "Report",
    "Reported",
    "Row",
    "Seen",
    "Swatch",
    "Table",
    "lab_words",
    "rows_of",
]

_LABEL: Final = 11
"""Least width of a column of labels."""
_LONGEST_LABEL: Final = 22


@dataclass(frozen=True)
class Report:
    """Everything that a result says.

    Attributes
    ----------
    title
        The answer in a sentence, if one holds it.
    swatches
        Colours to compare; they touch.
    pictures
        Drawings as SVG, for the card only.
    rows, details
        What everybody wants to know; what some do, folded away on the card.
    tables
        Lists.
    notes
        Sentences at the end.
    cautions
        Whether the cautions belong to it: to whatever may be poured.
    apart
        The difference between the first two swatches.
    """

    title: str = ""
    swatches: tuple[Swatch, ...] = ()
    pictures: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    details: tuple[Row, ...] = ()
    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: bool = True
    apart: Apart | None = None

    def __str__(self) -> str:
        """The text."""
        return self.text()

    def _repr_html_(self) -> str:
        return self.html()

    def plus(self, *rows: Row) -> Report:
        """The same with more rows."""
        return replace(self, rows=(*self.rows, *rows))

    def text(self, width: int | None = None) -> str:
        """Plain text without pictures and cautions, wrapped at `width`; None: not wrapped."""
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
        if len(self.swatches) > FEW:
            touching = "".join(s.patch(5) for s in self.swatches)
            return f"{self.swatches[0].label} {touching} {self.swatches[-1].label}"
        return "  ".join(f"{s.label} {s.hex} {s.patch()}" for s in self.swatches)

    @property
    def legend(self) -> str:
        """The mark of colours outside sRGB in words, if a swatch has it."""
        return "" if all(s.in_srgb for s in self.swatches) else f"{LETTERS} {OUTSIDE}"

    def html(self) -> str:
        """A card; its cautions, if any, are always visible."""
        width = 8.5 if len(self.swatches) <= FEW else 3.8
        swatches = "".join(swatch.html(width) for swatch in self.swatches)
        colours = element("div", swatches, class_="sm-colours") if swatches else ""
        apart = "" if self.apart is None else self.apart.html()
        parts = [
            element("p", element("strong", escape(self.title))) if self.title else "",
            element("div", colours + apart, class_="sm-top") if colours else "",
            *self.pictures,
            _listed(self.rows),
            *(table.html() for table in self.tables),
            folded("More", [_listed(self.details)]) if self.details else "",
        ]
        # Once per card, below where the mark first occurs.
        first = next((i for i, part in enumerate(parts) if MARKED in part), None)
        if first is not None:
            legend = element("div", f"{key()} {escape(HATCHED)}", class_="sm-small sm-key")
            parts.insert(first + 1, legend)
        parts += map(paragraph, self.notes)
        if self.cautions:
            parts.append(folded(IN_SHORT, [paragraph(" ".join(CAUTIONS), small=True)]))
        return box(parts)


class Reported(ABC):
    """What reports itself: as text, and in a notebook as a card."""

    @abstractmethod
    def report(self) -> Report:
        """Everything that it says."""

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
    """Lines with a hanging indent; without a width, lines stay whole."""
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
