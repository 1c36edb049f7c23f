"""The batch sheet as plain text, 78 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from shadematch.predicting.pot import HOT_LIMIT
from shadematch.predicting.prediction import Prediction
from shadematch.sheet.content import Content
from shadematch.sheet.words import isolated
from shadematch.support.cautions import CAUTIONS

__all__ = ["plain"]

_WIDTH = 78


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=first, subsequent_indent=rest or " " * len(first)
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
    colours = []
    if saved.target is not None:
        colours.append(f"wanted      {saved.target.hex}")
    colours.append(f"predicted   {saved.hex}")
    if saved.delta_e is not None:
        colours.append(f"CIEDE2000   {saved.delta_e:.2f}")
    for name, value in content.figures:
        colours += _wrapped(isolated(value), f"{name:<12}")
    blocks.append(colours)
    blocks.append([f"WEIGH   {' + '.join(content.weigh)}"])
    doses = [f"  [ ] {d.amount:>8} {d.unit:<2}  {isolated(d.name)}" for d in content.doses]
    blocks.append(["DOSE", *(doses or ["  no paste at all"])])
    steps: list[str] = ["ORDER OF WORK"]
    for number, (word, text) in enumerate(content.steps, 1):
        steps += _wrapped(f"{word}. {text}", f"  {number}. ")
    blocks.append(steps)
    blocks.append(_wrapped(content.yields, "YIELD   "))
    checks = ["CHECK BEFORE POURING"]
    checks += [_look(f"in the pot, {looks.depth_cm:g} cm deep", looks.pot)]
    checks += [_look(f"drop of {looks.drop_mm:g} mm on white paper", looks.drop)]
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


def _look(name: str, seen: Prediction) -> str:
    lab = ", ".join(f"{v:z.1f}" for v in seen.lab)
    return f"  {name:<32}{seen.hex}  Lab ({lab})"
