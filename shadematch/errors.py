"""One tree of exceptions.

Each message says what is wrong, shows the value, and says what to do.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Self

__all__ = [
    "ColourError",
    "FileError",
    "MissingExtraError",
    "PaletteError",
    "PhotoError",
    "PourError",
    "ShadematchError",
    "SpectrumError",
    "ThicknessWarning",
    "UnknownNameError",
]


class ShadematchError(ValueError):
    """Base of every error this library raises on purpose.

    Parameters
    ----------
    problem
        What is wrong, in plain words.
    field
        Name of the argument or file entry that is wrong.
    value
        The offending value; shown shortened.
    remedy
        What the person can do about it.
    """

    def __init__(
        self, problem: str, *, field: str = "", value: object = None, remedy: str = ""
    ) -> None:
        self.problem = problem
        self.field = field
        self.value = value
        self.remedy = remedy
        # Names of entries come from files, too, and may be of any length.
        text = f"{_short(field, 200)}: {problem}" if field else problem
        if value is not None:
            text += f" (got {_short(repr(_plain(value)), 80)})"
        if remedy:
            text += f". {remedy}"
        super().__init__(text)

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions cross process borders in executors; rebuild them with their parts.
        return (_rebuild, (type(self), self.problem, self.field, self.value, self.remedy))

    def at(self, field: str) -> Self:
        """The same error, of another field."""
        return type(self)(self.problem, field=field, value=self.value, remedy=self.remedy)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def _plain(value: object) -> object:
    """NumPy's numbers as Python's own, which print plainly."""
    item = getattr(value, "item", None)
    return item() if getattr(value, "shape", None) == () and callable(item) else value


def _rebuild(
    kind: type[ShadematchError], problem: str, field: str, value: object, remedy: str
) -> ShadematchError:
    return kind(problem, field=field, value=value, remedy=remedy)


class ColourError(ShadematchError):
    """A colour, a colour code, an illuminant or an observer that can't be used."""


class FileError(ShadematchError):
    """A file that can't be read or written, or that doesn't hold what it should."""


class SpectrumError(ShadematchError):
    """A spectrum with wrong wavelengths or values."""


class PaletteError(ShadematchError):
    """A palette, pigment or base that can't be used."""


class PhotoError(ShadematchError):
    """A photo, or a region, neutral or chart in it, that can't be used."""


class PourError(ShadematchError):
    """A pour, a view, a dose or a recipe that can't be made."""


class UnknownNameError(PaletteError):
    """A pigment name that the palette does not have."""


class MissingExtraError(ShadematchError):
    """An optional library is needed and is not installed."""

    @classmethod
    @contextlib.contextmanager
    def unless(cls, package: str, extra: str, *, field: str, otherwise: str = "") -> Iterator[None]:
        """Where a package is imported: the error names it, and the extra that brings it."""
        try:
            yield
        except ImportError:
            raise cls(
                f"needs {package}, which is not installed",
                field=field,
                remedy=f'Type pip install ".[{extra}]" in the project\'s folder, or pip install '
                f"{package}{otherwise}",
            ) from None


class ThicknessWarning(UserWarning):
    """A bar thinner or thicker than usual: perhaps millimetres were meant."""
