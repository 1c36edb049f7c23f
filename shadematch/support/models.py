"""The frozen pydantic base of everything a person types in or loads."""

from __future__ import annotations

import math
import unicodedata
from collections import Counter
from collections.abc import Iterable
from typing import Annotated, Any, ClassVar, Final, TypeGuard

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from shadematch.errors import PourError, ShadematchError

__all__ = [
    "STEERING",
    "Frozen",
    "Name",
    "Number",
    "between",
    "check_most",
    "check_name",
    "check_progress",
    "expect",
    "first_twice",
    "is_finite",
    "listed",
    "readable",
    "shape_of",
    "whole",
]

_UNSEEN: Final = (
    "has an invisible character",
    "Leave out line breaks, tabs and other control characters",
)
_BLANK: Final = (
    "begins or ends with a space, or is invisible",
    "Use letters, without spaces around them",
)
STEERING: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that set the writing direction of what follows (Unicode Standard Annex 9)."""

_SAYINGS = {
    "greater_than": ("must be above {gt:g}", "Give a larger number"),
    "greater_than_equal": ("must be at least {ge:g}", "Give {ge:g} or more"),
    "less_than_equal": ("must be at most {le:,.12g}", "Give {le:,.12g} or less"),
    "finite_number": ("must be a finite number", "Give a number such as 2 or 0.5"),
    "float_type": ("must be a number", "Give a number such as 2 or 0.5"),
    "missing": ("is missing", "Add it"),
    "extra_forbidden": ("is not known here", "Leave it out, or check its spelling"),
    "literal_error": ("must be {expected}", "Take one of these"),
    "string_type": ("must be a text", "Give a text"),
    "string_too_short": ("must not be empty", "Give it a name"),
    "unseen": _UNSEEN,
    "blank": _BLANK,
    "string_unicode": ("has a broken character", "Type it again"),
    "string_too_long": ("is too long", "Give at most {max_length} letters"),
    "tuple_type": ("must be a list", "Give one entry for each"),
    "too_long": ("has {actual_length} entries", "Give {max_length} at most"),
    "too_short": ("has {actual_length} entries", "Give {min_length} at least"),
    "bool_type": ("must be true or false", "Write it without quotes"),
    "bool_parsing": ("must be yes or no", "Give True or False; in a file, yes or no"),
    "int_type": ("must be a whole number", "Give a number such as 3"),
    "string_pattern_mismatch": ("is not of the form {pattern}", "Write it in that form"),
    **dict.fromkeys(
        ("model_type", "model_attributes_type", "dict_type"),
        ("must hold named entries", 'In a file, write them as {{"name": value, ...}}'),
    ),
}
"""Problem and remedy for each of pydantic's kinds of error."""


def _plain_number(value: object) -> object:
    if isinstance(value, bool | str | bytes) or not isinstance(
        value, int | float | np.integer | np.floating
    ):
        raise PydanticCustomError("float_type", "must be a number")
    try:
        return float(value)
    except OverflowError:
        raise PydanticCustomError("finite_number", "must be a finite number") from None


def expect(value: object, kind: type | tuple[type, ...], field: str, remedy: str) -> None:
    """Refuse an argument of the wrong kind, with a `PourError`."""
    if not isinstance(value, kind):
        problem = f"is of the wrong kind ({type(value).__name__})"
        raise PourError(problem, field=field, value=value, remedy=remedy)


def is_finite(value: object) -> TypeGuard[float]:
    """Whether a value is a finite real number; booleans and texts are not."""
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond any float
        return False


def between(
    value: object,
    field: str,
    least: float,
    most: float,
    remedy: str,
    *,
    error: type[ShadematchError] = PourError,
) -> float:
    """A number from `least` to `most` as a float; anything else is an `error`."""
    if not is_finite(value) or not least <= value <= most:
        problem = f"must be a number from {least:g} to {most:,.12g}"
        raise error(problem, field=field, value=value, remedy=remedy)
    return float(value)


def whole(
    value: object,
    field: str,
    least: int,
    most: int,
    remedy: str,
    *,
    error: type[ShadematchError] = PourError,
) -> int:
    """A whole number from `least` to `most`; anything else is an `error`."""
    if (
        isinstance(value, int | np.integer)
        and not isinstance(value, bool)
        and least <= value <= most
    ):
        return int(value)
    problem = f"must be a whole number from {least:,} to {most:,}"
    raise error(problem, field=field, value=value, remedy=remedy)


def first_twice(names: Iterable[str]) -> str | None:
    """The first name, in alphabetical order, that appears more than once."""
    return min((name for name, count in Counter(names).items() if count > 1), default=None)


def _has_unseen(name: str) -> bool:
    """Whether a name holds characters that would break or turn the line it is printed in."""
    return not name.isprintable() and any(  # the former is quick, and strict about blanks
        letter in STEERING or unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp")
        for letter in name
    )


def _is_blank(name: str) -> bool:
    """Whether a non-empty name shows nothing, or nothing at one of its ends."""
    return name != "" and (name != name.strip() or not shape_of(name))


def _seen_name(name: str) -> str:
    if _has_unseen(name):
        raise PydanticCustomError("unseen", "has an invisible character")
    if _is_blank(name):
        raise PydanticCustomError("blank", "shows nothing at an end")
    return name


def shape_of(name: str) -> str:
    """What people see of a name: two names of one shape look the same on paper.

    Unicode Standard Annex 15 (form NFC), without characters of category Cf, which are invisible.
    """
    if name.isascii():  # no mark, no joiner
        return " ".join(name.split())
    seen = "".join(c for c in name if unicodedata.category(c) != "Cf")
    return " ".join(unicodedata.normalize("NFC", seen).split())


def check_name(name: str, field: str, error: type[ShadematchError] = PourError) -> None:
    """Refuse a name with control characters, with blanks at an end, or invisible.

    The empty name passes. Raises `error` naming the field.
    """
    if _has_unseen(name):
        raise error(_UNSEEN[0], field=field, value=name, remedy=_UNSEEN[1])
    if _is_blank(name):
        raise error(_BLANK[0], field=field, value=name, remedy=_BLANK[1])


def check_most(max_pigments: object) -> None:
    """Refuse a largest number of pigments that isn't None or whole, from 1 (`PourError`)."""
    most = max_pigments
    if most is not None and (
        isinstance(most, bool) or not isinstance(most, int | np.integer) or most < 1
    ):
        raise PourError(
            "must be a whole number from 1",
            field="max_pigments",
            value=most,
            remedy="Leave it out for no limit",
        )


def check_progress(progress: object) -> None:
    """Refuse a report of progress that can't be called, with a `PourError`."""
    if progress is not None and not callable(progress):
        raise PourError(
            "can't be called",
            field="progress",
            value=progress,
            remedy="Give a function of one argument, such as print",
        )


def listed(value: object, field: str, remedy: str) -> tuple[Any, ...]:
    """The entries of a list or any other iterable; anything else is a `PourError`."""
    try:
        return tuple(value)  # type: ignore[arg-type]
    except TypeError:
        raise PourError(
            f"is not a list ({type(value).__name__})", field=field, value=value, remedy=remedy
        ) from None


Number = Annotated[float, BeforeValidator(_plain_number)]
"""A finite number; texts and booleans are refused."""

Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_seen_name)]
"""A name of 1 to 200 characters that fits a line: no control characters, no blanks around."""


class Frozen(BaseModel):
    """A checked, immutable model, whose errors name field, value and remedy."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, arbitrary_types_allowed=False
    )
    _error: ClassVar[type[ShadematchError]] = ShadematchError

    def __init__(self, *nameless: Any, **data: Any) -> None:
        if nameless:
            # Type checkers know the fields; at run time a TypeError would name none.
            example = f"{next(iter(type(self).model_fields), 'name')}=..."
            raise self._error(
                "takes its entries by name only",
                field=type(self).__name__,
                value=nameless[0],
                remedy=f"Write {type(self).__name__}({example})",
            )
        try:
            super().__init__(**data)
        except ValidationError as found:
            raise readable(found, self._error, type(self).__name__) from None
        except TypeError:  # an entry is a dict with other keys than texts
            raise self._error(
                "has an entry whose name is not a text",
                field=type(self).__name__,
                remedy="Name each entry by a text",
            ) from None


def readable(
    found: ValidationError, error: type[ShadematchError], whole: str = ""
) -> ShadematchError:
    """Pydantic's first complaint as an error of this library.

    It keeps an error of ours that lies beneath; otherwise it is an `error`. `whole` names the
    field where no entry is to blame.
    """
    first = found.errors()[0]
    inner = first.get("ctx", {}).get("error")
    where = ".".join(str(part) for part in first["loc"])
    if isinstance(inner, ShadematchError):
        field = ".".join(p for p in (where, inner.field) if p)
        return type(inner)(inner.problem, field=field, value=inner.value, remedy=inner.remedy)
    limits = first.get("ctx", {})
    if first["type"] in _SAYINGS:
        problem, remedy = (text.format(**limits) for text in _SAYINGS[first["type"]])
    else:  # pydantic's own words, braces and all
        message = first["msg"].removeprefix("Value error, ")
        problem, remedy = message[:1].lower() + message[1:], "Check this entry"
    return error(
        problem,
        field=where or whole,
        # What is missing has no value of its own; pydantic gives its surroundings.
        value=None if first["type"] == "missing" else first.get("input"),
        remedy=remedy,
    )
