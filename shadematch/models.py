"""The frozen pydantic base of everything a person types in or loads."""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, ValidationError

from shadematch.errors import ShadematchError

__all__ = ["Frozen"]

_REMEDIES = {
    "greater_than": "Give a number above the limit",
    "greater_than_equal": "Give a number that is not below the limit",
    "less_than_equal": "Give a number that is not above the limit",
    "finite_number": "Give a finite number",
    "float_parsing": "Give a number",
    "float_type": "Give a number",
    "missing": "Add it",
    "extra_forbidden": "Leave it out, or check its spelling",
    "literal_error": "Take one of those",
    "string_type": "Give a text",
}


class Frozen(BaseModel):
    """A checked, immutable model whose errors name field, value and remedy."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, arbitrary_types_allowed=False
    )
    _error: ClassVar[type[ShadematchError]] = ShadematchError

    def __init__(self, **data: Any) -> None:
        try:
            super().__init__(**data)
        except ValidationError as found:
            raise self._readable(found) from None

    @classmethod
    def _readable(cls, found: ValidationError) -> ShadematchError:
        """The first complaint of pydantic in this library's form."""
        first = found.errors()[0]
        inner = first.get("ctx", {}).get("error")
        where = ".".join(str(part) for part in first["loc"])
        if isinstance(inner, ShadematchError):
            field = ".".join(p for p in (where, inner.field) if p)
            return type(inner)(inner.problem, field=field, value=inner.value, remedy=inner.remedy)
        message = first["msg"].removeprefix("Value error, ")
        message = message[:1].lower() + message[1:].replace("Input should", "should")
        message = message.replace("input should", "should")
        return cls._error(
            message,
            field=where or cls.__name__,
            value=first.get("input"),
            remedy=_REMEDIES.get(first["type"], "Check this entry"),
        )
