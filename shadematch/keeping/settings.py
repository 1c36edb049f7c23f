"""A studio's usual settings, in a file called ``shadematch.toml``.

The file is TOML (toml.io), one setting a line; the library's defaults stand in for the rest::

    palette = "mine.json"     # palette, calibration or journal
    batch_g = 500
    thickness_cm = 2.5
    bar_g = 95
    backing = "white"

The command line reads the file in the current folder, or the one given by ``--settings``. In
Python it has no effect unless passed::

    usual = Settings.from_file("shadematch.toml")
    sm.match("#d9822b", **usual.given)
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final

from pydantic import Field

from shadematch.errors import FileError, ShadematchError
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour, Share
from shadematch.studio.view import View
from shadematch.support.files import errors_named, read_text, write_text
from shadematch.support.models import Frozen, Number
from shadematch.support.report import Report, Reported, Row

__all__ = ["SETTINGS_FILE", "Settings", "UsualValues", "palette_in"]

SETTINGS_FILE: Final = "shadematch.toml"
"""The file's name."""
_POUR: Final = ("batch_g", "thickness_cm", "white", "base", "max_load", "dose_step")
_VIEW: Final = ("illuminant", "observer", "backing", "contact")
_WORDS: Final[Mapping[str, str]] = {
    "palette": "palette, calibration or journal",
    "batch_g": "base in g",
    "thickness_cm": "thickness of the bar in cm",
    "white": "white fraction of the base, 0 to 1",
    "base": "the rest of it, one of the palette's bases",
    "max_load": "most paste per 100 g of base, in the palette's unit",
    "dose_step": "doses are multiples of this, in the palette's unit",
    "illuminant": "light",
    "observer": "2 or 10 degrees",
    "backing": "behind the bar: white, black, or a reflectance from 0 to 1",
    "contact": "lies dry or wet on the backing",
    "bar_g": "mass of a bar in g",
    "loss": "fraction of the base that stays in the pot, 0 to 1",
}


class UsualValues(Frozen):
    """The settings in the file; None where it has none.

    Attributes
    ----------
    palette
        File of a palette, calibration or journal (``.jsonl``), relative to the settings' folder.
    batch_g, thickness_cm, white, base, max_load, dose_step
        As in `Pour`.
    illuminant, observer, backing, contact
        As in `View`.
    bar_g, loss
        Mass of a bar [g], and the fraction of the base that stays in the pot.
    """

    _error: ClassVar[type[ShadematchError]] = FileError
    palette: Annotated[str, Field(min_length=1, max_length=4096)] | None = None
    batch_g: Number | None = None
    thickness_cm: Number | None = None
    white: Share | None = None
    base: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    max_load: Number | None = None
    dose_step: Number | None = None
    illuminant: str | None = None
    observer: str | int | None = None
    backing: str | Number | None = None
    contact: str | None = None
    bar_g: Annotated[Number, Field(ge=0.1, le=LARGEST_BATCH_G)] | None = None
    loss: Annotated[Share, Field(ge=0, lt=1)] | None = None

    @property
    def stated(self) -> dict[str, Any]:
        """The settings that are not None, by name."""
        return {n: v for n in _WORDS if (v := getattr(self, n)) is not None}


@dataclass(frozen=True)
class Settings(Reported):
    """A studio's usual settings.

    Attributes
    ----------
    usual
        The settings in the file.
    place
        The file, or None.
    palette
        The palette in the file `usual.palette`; None without one.
    """

    usual: UsualValues = field(default_factory=UsualValues)
    place: Path | None = None
    palette: Palette | None = None

    @classmethod
    def from_file(cls, path: str | os.PathLike[str]) -> Settings:
        """Read a studio's settings.

        Raises
        ------
        FileError
            If the file can't be read or is not TOML, or a setting, which is named, is not valid.
        """
        place = Path(path)
        text = read_text(place, kind="settings")
        try:
            content = tomllib.loads(text)
        except tomllib.TOMLDecodeError as found:
            raise FileError(
                f"is not valid TOML: {found}",
                field="path",
                value=str(path),
                remedy='Write lines such as batch_g = 500 and palette = "mine.json"',
            ) from None
        with errors_named(place):
            usual = UsualValues(**content)
        return cls.of(usual, place)

    @classmethod
    def of(cls, usual: UsualValues, place: Path) -> Settings:
        """Settings for a file that need not exist yet.

        Raises
        ------
        FileError
            If one is not valid.
        """
        own = None
        if usual.palette is not None:
            with errors_named(place, "palette: "):
                own = palette_in(place.parent / usual.palette)
        found = cls(usual, place, own)
        with errors_named(place):
            _ = found.pour, found.view
            if own is not None:
                own.base(found.pour.base)  # refuses what it lacks
        return found

    def save(self, *, replace: bool = False) -> None:
        """Write the file.

        Raises
        ------
        FileError
            If another file is there and `replace` is false, or it can't be written.
        """
        assert self.place is not None
        lines = [
            f"{name} = {json.dumps(_plain(value), ensure_ascii=False)}  # {_WORDS[name]}"
            for name, value in self.usual.stated.items()
        ]
        text = "\n".join(("# What is usual here.", *lines)) + "\n"
        if tomllib.loads(text) != self.usual.stated:
            problem, remedy = "can't be written as TOML", "Leave control characters out of its name"
            raise FileError(problem, field="palette", value=self.usual.palette, remedy=remedy)
        write_text(self.place, text, replace=replace)

    @property
    def pour(self) -> Pour:
        """The usual pour."""
        return Pour(**{n: v for n, v in self.usual.stated.items() if n in _POUR})

    @property
    def view(self) -> View:
        """The usual view."""
        return View(**{n: v for n, v in self.usual.stated.items() if n in _VIEW})

    @property
    def given(self) -> dict[str, Any]:
        """``palette``, ``pour`` and ``view``, for calls that take them."""
        return {"palette": self.palette, "pour": self.pour, "view": self.view}

    def report(self) -> Report:
        """The settings, a row each."""
        rows = [Row("file", str(self.place) if self.place else "none: all settings are defaults")]
        rows += [
            Row(n, str(_plain(value)), note=_WORDS[n]) for n, value in self.usual.stated.items()
        ]
        return Report(rows=tuple(rows), cautions=False)


def _plain(value: Any) -> Any:
    """A whole number as an int, to be written without a decimal point."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def palette_in(path: str | os.PathLike[str]) -> Palette:
    """The palette in a file of a palette, calibration or journal.

    Raises
    ------
    FileError
        If it holds none of these.
    """
    # Imported late because it is slow: every command reads settings, few of which name a palette.
    from shadematch.calibration.result import Calibration
    from shadematch.journal.journal import Journal
    from shadematch.keeping.files import read

    path = Path(path)
    if path.suffix.lower() == ".jsonl" and path.exists():
        return Journal(path).palette
    held = read(path)
    if isinstance(held, Calibration):
        return held.palette
    if isinstance(held, Palette):
        return held
    raise FileError(
        "holds no palette, calibration or journal",
        field="palette",
        value=str(path),
        remedy="Give a file that sm.save wrote, or a journal (.jsonl)",
    )
