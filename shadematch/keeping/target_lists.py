"""Wanted colours kept in a file.

It is JSON::

{"format": "shadematch targets", "version": 1, "note": "...",
"targets": [{"lab": [62, 26, 53], "illuminant": "D65", "observer": "2",
"source": "given as Lab", "reflectance": null}, ...]}
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Final

from pydantic import Field

from shadematch.keeping.form import LONGEST_NOTE, Part, TargetPart, target_of, target_to_dict
from shadematch.studio.target import Target
from shadematch.support.files import checked_envelope, entries_of, read_json, write_json
from shadematch.support.models import expect, listed

__all__ = ["FORMAT", "VERSION", "TargetsFile", "load_targets", "save_targets"]

FORMAT: Final = "shadematch targets"
VERSION: Final = 1


class TargetsFile(Part):
    """The whole file."""

    note: str = Field(default="", max_length=LONGEST_NOTE)
    targets: tuple[TargetPart, ...]


def save_targets(
    targets: Iterable[Target], path: str | os.PathLike[str], *, note: str = ""
) -> None:
    """Keep wanted colours in a JSON file, each with its spectrum and covariance if it has them.

    Parameters
    ----------
    targets
        What to keep, in this order. Of what was read in a photo, its `target`.
    path
        The file; one that is there is replaced, and is whole at every moment.
    note
        Words of one's own, at most 10,000 letters.

    Raises
    ------
    PourError
        If one of them is no target.
    FileError
        If the place can't be written, or a part is not fit to be read again, which is named.
    """
    entries = []
    for target in listed(targets, "targets", "Give a list of Target"):
        expect(target, Target, "targets", "Give Targets")
        entries.append(target_to_dict(target))
    TargetsFile(note=note, targets=entries)  # nothing is written that can't be read
    content = {"format": FORMAT, "version": VERSION, "note": note, "targets": entries}
    write_json(path, content)


def load_targets(path: str | os.PathLike[str]) -> list[Target]:
    """Read what `save_targets` wrote.

    Raises
    ------
    FileError
        If the file can't be read, is from a newer version, or has an entry that is wrong, which
        is named.
    """
    with read_json(path, kind="list of targets") as data:
        file = TargetsFile(**checked_envelope(data, FORMAT, VERSION))
    targets = []
    for number, part in enumerate(file.targets):
        with entries_of(path, f"targets.{number}."):
            targets.append(target_of(part))
    return targets
