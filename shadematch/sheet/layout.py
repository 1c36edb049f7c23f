"""How large the words and rulers of a sheet can be for it to stay one page."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from shadematch.sheet.content import NOTE_SIZES, Content, Dose
from shadematch.sheet.drawing import MARKS_MM, PAPER_RULER_CM, scale_for
from shadematch.sheet.words import lines_needed, shortened, units

__all__ = ["NAME_SIZES", "SheetLayout", "layout_of", "name_size", "note_size"]

SheetSize = Literal["roomy", "plain", "full"]

_MM_PER_PT: Final = 25.4 / 72.0


@dataclass(frozen=True)
class _Size:
    """One size of words, and the room it leaves; letters in pt, heights in mm."""

    name_pt: float
    bar_mm: float
    room_mm: float  # for all doses
    colours_mm: float  # the usual height of the colours and their figures
    note_mm: float  # height of a note that fits beside the order of work


_SIZES: Final[dict[SheetSize, _Size]] = {
    "roomy": _Size(16.0, 7.0, 74.0, 33.0, 60.0),
    "plain": _Size(13.0, 5.0, 104.0, 33.0, 36.0),
    "full": _Size(11.0, 3.4, 125.0, 26.0, 27.0),
}
NAME_SIZES: Final = (("", 0.0, 1), ("long", 7.5, 1), ("longest", 6.0, 9))
"""Class, letter size [pt] (0: the layout's own) and most lines of a name."""
_NAME_MM: Final = 151.0
_BETWEEN_MM: Final = 1.4
_HEAD_MM: Final = 4.0


@dataclass(frozen=True)
class SheetLayout:
    """The layout of one sheet.

    Attributes
    ----------
    kind
        Size of the words.
    scale
        Centimetres of paste per drawn centimetre; 1 is true to size, 0 means no rulers, because
        the names need the room.
    """

    kind: SheetSize
    scale: int

    @property
    def bar_mm(self) -> float:
        """Height of a bar [mm]."""
        return _SIZES[self.kind].bar_mm

    @property
    def name_pt(self) -> float:
        """Letter size of a name of usual length [pt]."""
        return _SIZES[self.kind].name_pt

    def stretches(self, dose: Dose) -> int:
        """How many rulers, one below the other, a dose takes; none if it is weighed."""
        if self.scale == 0 or dose.unit != "cm":
            return 0
        return max(1, math.ceil(dose.ruler_cm / (PAPER_RULER_CM * self.scale) - 1e-9))

    def doses_mm(self, content: Content) -> float:
        """Height of all doses [mm], a little more than they take."""
        total = _HEAD_MM
        for dose in content.doses:
            _, pt, lines = name_size(dose.name, self.name_pt)
            name = lines * pt * 1.15 * _MM_PER_PT
            rulers = self.stretches(dose) * (self.bar_mm + MARKS_MM)
            total += max(name + rulers, 8.5) + _BETWEEN_MM
        return total


def name_size(name: str, own_pt: float) -> tuple[str, float, int]:
    """Class, letter size [pt] and lines of a pigment's name."""
    wide = units(name)
    for kind, pt, most in NAME_SIZES:
        size = pt or own_pt
        lines = max(1, math.ceil(wide * 0.5 * size * _MM_PER_PT / _NAME_MM))
        if lines <= most:
            return kind, size, lines
    return kind, size, lines


def layout_of(content: Content) -> SheetLayout:
    """The largest words, and rulers true to size if they fit."""
    scale = scale_for(max((d.ruler_cm for d in content.doses), default=0.0))
    sizes: tuple[tuple[SheetSize, ...], ...] = (("roomy", "plain"), ("full",))
    for layout in (
        SheetLayout(kind, wanted)
        for kinds in sizes
        for wanted in dict.fromkeys((1, scale))
        for kind in kinds
    ):
        room = _SIZES[layout.kind].room_mm - _more_mm(content, layout.kind)
        if layout.doses_mm(content) <= room:
            return layout
    return SheetLayout("full", 0)


def _more_mm(content: Content, kind: SheetSize) -> float:
    """What other parts of the page take beyond their usual heights [mm]."""
    size = _SIZES[kind]
    title = units(content.title)
    more = 4.5 * (math.ceil(title / 70) - 1) if title > 60 else 0.0
    more += 4.5 * math.ceil(units(content.remark) / 100)
    lines = sum(
        math.ceil(units(f"{row.label} {shortened(row.words)}") / 42) for row in content.figures
    )
    more += max(0.0, 5.5 + 3.2 * lines - size.colours_mm)
    pt, lines = note_size(content.note)
    return more + max(0.0, lines * pt * 1.25 * _MM_PER_PT - size.note_mm)


def note_size(note: str) -> tuple[float, int]:
    """Letter size [pt] and lines of a note."""
    sizes = [(pt, lines_needed(note.split("\n"), width), most) for pt, width, most in NOTE_SIZES]
    pt, lines, _ = next((size for size in sizes if size[1] <= size[2]), sizes[-1])
    return pt, lines
