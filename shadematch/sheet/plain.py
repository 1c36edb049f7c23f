"""The batch sheet as plain text, 78 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import replace

from shadematch.predicting.pot import HOT_LIMIT
from shadematch.sheet.content import Content
from shadematch.sheet.words import isolated
from shadematch.support.cautions import CAUTIONS
from shadematch.support.report import Report, Row

__all__ = ["plain"]

_WIDTH = 78


def _wrapped(text: str, first: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=first, subsequent_indent=" " * len(first)
    ) or [first]


def plain(content: Content) -> str:
    """The whole text."""
    saved, looks = content.saved, content.looks
    blocks: list[Iterable[str]] = [
        [isolated(content.title), "=" * _WIDTH],
        [f"Date {isolated(content.date) if content.date else '_' * 20}   Batch {'_' * 20}"],
    ]
    if content.remark:
        blocks.append(_wrapped(isolated(content.remark), "NOTE WELL: "))
    rows = [] if saved.target is None else [Row("wanted", saved.target.hex)]
    rows.append(Row("predicted", saved.hex))
    if saved.delta_e is not None:
        rows.append(Row("CIEDE2000", f"{saved.delta_e:.2f}"))
    rows += [replace(row, value=isolated(row.words)) for row in content.figures]
    blocks.append(_lines(*rows))
    blocks.append(_lines(Row("WEIGH", " + ".join(content.weigh))))
    doses = [f"  [ ] {d.amount:>8} {d.unit:<2}  {isolated(d.name)}" for d in content.doses]
    blocks.append(["DOSE", *(doses or ["  no paste at all"])])
    steps: list[str] = ["ORDER OF WORK"]
    for number, (word, text) in enumerate(content.steps, 1):
        steps += _wrapped(f"{word}. {text}", f"  {number}. ")
    blocks.append(steps)
    blocks.append(_lines(Row("YIELD", content.yields)))
    checks = ["CHECK BEFORE POURING"]
    checks += _lines(
        Row.colour("in the pot", looks.pot, f"{looks.depth_cm:g} cm deep"),
        Row.colour("drop", looks.drop, f"{looks.drop_mm:g} mm on white paper"),
    )
    checks += _wrapped(f"{looks.sentence} {HOT_LIMIT}", "  ")
    blocks.append(checks)
    cautions = ["CAUTIONS"]
    for text in CAUTIONS:
        cautions += _wrapped(text, "  - ")
    blocks.append(cautions)
    notes = [f"  {isolated(line)}" for line in content.note.split("\n") if line]
    blocks.append(["NOTES", *notes, *["  " + "_" * (_WIDTH - 2)] * 3])
    blocks.append([content.foot])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _lines(*rows: Row) -> list[str]:
    return Report(rows=rows).text(_WIDTH).split("\n")
