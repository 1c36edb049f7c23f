"""Test pours that are still to be made, and the form that their readings go into."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.files import spreadsheet_cell, write_text
from shadematch.support.report import Report, Reported, Row

__all__ = ["PlannedPour", "PouringPlan"]


@dataclass(frozen=True)
class PlannedPour:
    """A bar to pour and how to measure it.

    Attributes
    ----------
    name
        What to write on it.
    doses
        Paste of each pigment, in the unit of `unit`.
    pour, views
        How to pour it, and how to measure it: one reading for each view.
    why
        What it tells.
    unit
        Of the doses: ``"cm"``, ``"g"`` or ``"part"``, as of a `TestPour`.
    """

    name: str
    doses: Mapping[str, float]
    pour: Pour
    views: tuple[View, ...]
    why: str
    unit: Literal["cm", "g", "part"] = "cm"

    def __post_init__(self) -> None:
        object.__setattr__(self, "doses", MappingProxyType(dict(self.doses)))

    def __hash__(self) -> int:
        return hash((self.name, tuple(self.doses.items()), self.pour, self.views))

    def __reduce__(self) -> tuple[object, ...]:
        return PlannedPour, (
            self.name,
            dict(self.doses),
            self.pour,
            self.views,
            self.why,
            self.unit,
        )

    @property
    def words(self) -> str:
        """How it is made and measured."""
        paste = ", ".join(f"{dose:g} {self.unit} {name}" for name, dose in self.doses.items())
        over = " and ".join(str(v.backing) for v in self.views)
        return f"{paste or 'no paste'} into {self.pour}; measure over {over}"

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.name}: {self.words} ({self.why})"


@dataclass(frozen=True)
class PouringPlan(Reported):
    """Bars to pour.

    Attributes
    ----------
    pours
        In the order in which to pour them.
    """

    pours: tuple[PlannedPour, ...]

    def __repr__(self) -> str:
        return f"PouringPlan({len(self.pours)} bars)"

    @property
    def readings(self) -> int:
        """Number of measurements."""
        return sum(len(p.views) for p in self.pours)

    def report(self) -> Report:
        """The bars."""
        return Report(
            title=f"{len(self.pours)} bars, {self.readings} readings",
            rows=tuple(Row(pour.name, pour.words, note=pour.why) for pour in self.pours),
        )

    def form(self, reading: Literal["spectrum", "lab"] = "spectrum") -> str:
        """A CSV with a line for each reading, to be filled in; `read_test_pours` reads it.

        Raises
        ------
        PourError
            For another kind of reading, or if the pours' doses are in more than one unit.
        """
        if not isinstance(reading, str) or reading not in ("spectrum", "lab"):
            raise PourError(
                "is no kind of reading",
                field="reading",
                value=reading,
                remedy="Take 'spectrum' or 'lab'",
            )
        units = {p.unit for p in self.pours}
        if len(units) > 1:
            raise PourError(
                "doses are in more than one unit",
                field="pours",
                value=sorted(units),
                remedy="Make a plan for each",
            )
        unit = units.pop() if units else "cm"
        column = "part" if unit == "part" else f"dose_{unit}"

        def cell(pour: PlannedPour, name: str) -> str:
            if name not in pour.doses:
                return ""
            # A column of parts holds loads.
            scale = 100.0 / pour.pour.batch_g if unit == "part" else 1.0
            return f"{pour.doses[name] * scale:g}"

        pigments = list(dict.fromkeys(n for p in self.pours for n in p.doses))
        cells = [f"{nm:g}" for nm in WAVELENGTHS_NM] if reading == "spectrum" else ["L", "a", "b"]
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(
            [
                "name",
                "batch_g",
                "thickness_cm",
                "white",
                "backing",
                *(f"{column}:{n}" for n in pigments),
                *cells,
            ]
        )
        for p in self.pours:
            for view in p.views:
                writer.writerow(
                    [
                        spreadsheet_cell(p.name),
                        f"{p.pour.batch_g:g}",
                        f"{p.pour.thickness_cm:g}",
                        f"{p.pour.white:g}",
                        view.backing,
                        *(cell(p, n) for n in pigments),
                        *("" for _ in cells),
                    ]
                )
        return out.getvalue()

    def save(
        self,
        path: str | os.PathLike[str],
        reading: Literal["spectrum", "lab"] = "spectrum",
        *,
        replace: bool = False,
    ) -> None:
        """Write `form` to a file.

        Raises
        ------
        PourError
            For another kind of reading.
        FileError
            If the place can't be written, or another file is there, such as a form that is
            filled in, and `replace` is false.
        """
        write_text(path, self.form(reading), replace=replace)
