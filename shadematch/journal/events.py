"""The events of a journal, one a line of its file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, ClassVar, Final, Literal, Self

from pydantic import Field, TypeAdapter, ValidationError, field_validator, model_validator

from shadematch.calibration.test_pour import TestPour
from shadematch.errors import FileError, ShadematchError
from shadematch.studio.covariance import Covariance
from shadematch.studio.palette import MOST_PIGMENTS, Palette
from shadematch.studio.pour import Pour
from shadematch.studio.target import Target
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.arrays import Triple
from shadematch.support.files import checked_envelope, enveloped
from shadematch.support.models import Frozen, Name, Number, check_name, first_twice, readable

__all__ = [
    "VERSION",
    "Added",
    "Begun",
    "Event",
    "LetIn",
    "Measured",
    "NewTube",
    "Poured",
    "Reading",
    "Voided",
    "event_of",
    "line_of",
    "now",
]

VERSION: Final = 1
_MOST_FIELDS: Final = 40
_LONGEST: Final = 10_000

Fields = dict[str, str]
"""The maker's own notes on a batch: date, base lot, paste lots, fragrance, where it went."""
_Dose = Annotated[Number, Field(ge=0, le=10_000_000)]
_Size = Annotated[Number, Field(ge=0.01, le=10_000)]
_Number = Annotated[int, Field(ge=1, strict=True)]


def _checked_fields(fields: Fields) -> Fields:
    if len(fields) > _MOST_FIELDS:
        raise ValueError(f"needs at most {_MOST_FIELDS} fields")
    for name, text in fields.items():
        if not name:
            raise ValueError("a field has no name")
        check_name(name, "fields", FileError)
        if len(text) > _LONGEST:
            raise ValueError(f"a field has more than {_LONGEST:,} characters")
    return fields


class Reading(Frozen):
    """A finished bar, measured.

    Attributes
    ----------
    lab
        CIELAB under the view's light; or None.
    spectrum
        36 radiance factors, None at wavelengths not measured; or None.
    covariance
        Of `lab`, 3 x 3; or None.
    view
        How the bar was looked at.
    means
        ``"colorimeter"`` (any instrument that touches the bar) or ``"phone"`` (any camera).
    instrument
        Its name, if there are several; the readings of one instrument share its errors.
    age_days
        Age of the bar [days], or None. Stored, but not used.
    """

    _error: ClassVar[type[ShadematchError]] = FileError
    lab: Triple | None = None
    spectrum: tuple[Number | None, ...] | None = None
    covariance: Covariance | None = None
    view: View = View()
    means: Literal["colorimeter", "phone"] = "colorimeter"
    instrument: Annotated[str, Field(max_length=200)] = ""
    age_days: Annotated[Number, Field(ge=0, le=100_000)] | None = None

    @model_validator(mode="after")
    def _possible(self) -> Self:
        self.of({}, Pour(batch_g=100), "cm", "reading")  # refuses impossible colours
        if self.lab is not None:
            Target.from_lab(self.lab, illuminant=self.view.illuminant, observer=self.view.observer)
        return self

    def of(self, doses: Mapping[str, float], pour: Pour, unit: Unit, name: str) -> TestPour:
        """The reading as a measured pour of known doses."""
        return TestPour(
            doses,
            name,
            pour,
            self.view,
            unit,
            spectrum=self.spectrum,
            lab=self.lab,
            covariance=self.covariance,
        )


class _Event(Frozen):
    _error: ClassVar[type[ShadematchError]] = FileError
    event: _Number
    at: Annotated[str, Field(max_length=40)] = ""


class Begun(_Event):
    """The first line: what the studio has.

    Attributes
    ----------
    pigments
        Names of the pastes in order, one to twelve.
    unit
        Unit of doses.
    scattering
        Pastes that look milky, earthy or pearly.
    tube_size
        Paste in a full tube, by name [unit]; by default 87 cm.
    palette
        The palette to start from, or None.
    """

    what: Literal["begun"] = "begun"
    pigments: Annotated[tuple[Name, ...], Field(min_length=1, max_length=MOST_PIGMENTS)]
    unit: Unit = "cm"
    scattering: tuple[Name, ...] = ()
    tube_size: dict[Name, _Size] = Field(default_factory=dict)
    palette: Palette | None = None

    @model_validator(mode="after")
    def _known(self) -> Self:
        for field, names in (("scattering", self.scattering), ("tube_size", self.tube_size)):
            for name in names:
                if name not in self.pigments:
                    remedy = f"There are {', '.join(self.pigments)}"
                    raise FileError(
                        "is not one of the pastes", field=field, value=name, remedy=remedy
                    )
        if twice := first_twice(self.pigments):
            remedy = "Rename one of them"
            raise FileError("a name appears twice", field="pigments", value=twice, remedy=remedy)
        return self


class Poured(_Event):
    """A batch, as it was really poured.

    Attributes
    ----------
    batch
        Its number.
    doses, pour
        Its doses by name [unit], and its pour.
    wanted
        The wanted colour, CIELAB under D65 for the 2 degree observer; or None.
    fields
        The maker's own notes by name.
    reading
        Its reading, if it was added together with it.
    """

    what: Literal["poured"] = "poured"
    batch: _Number
    doses: dict[Name, _Dose]
    pour: Pour = Pour()
    wanted: Triple | None = None
    fields: Fields = Field(default_factory=dict)
    reading: Reading | None = None

    _fields = field_validator("fields")(_checked_fields)


class Measured(_Event):
    """A batch, measured."""

    what: Literal["measured"] = "measured"
    batch: _Number
    reading: Reading


class Added(_Event):
    """Paste by name [unit] and base [g] added to a batch that came out off."""

    what: Literal["added"] = "added"
    batch: _Number
    doses: dict[Name, _Dose] = Field(default_factory=dict)
    clear_g: Annotated[Number, Field(ge=0, le=1e6)] = 0.0
    white_g: Annotated[Number, Field(ge=0, le=1e6)] = 0.0
    fields: Fields = Field(default_factory=dict)

    _fields = field_validator("fields")(_checked_fields)


class NewTube(_Event):
    """A tube was opened."""

    what: Literal["new tube"] = "new tube"
    pigment: Name
    tube_size: _Size | None = None


class Voided(_Event):
    """An earlier event does not count: a batch with all its readings, or one reading."""

    what: Literal["voided"] = "voided"
    of: _Number
    why: Annotated[str, Field(max_length=_LONGEST)] = ""


class LetIn(_Event):
    """A reading that was put aside counts after all."""

    what: Literal["let in"] = "let in"
    of: _Number
    why: Annotated[str, Field(max_length=_LONGEST)] = ""


Event = Begun | Poured | Measured | Added | NewTube | Voided | LetIn
_FORM: Final[TypeAdapter[Event]] = TypeAdapter(Annotated[Event, Field(discriminator="what")])


def now() -> str:
    """The time, UTC, to a second (ISO 8601)."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def line_of(event: Event) -> str:
    """An event as a line of the file, without its end."""
    content = _FORM.dump_python(event, mode="json", exclude_defaults=True)
    if isinstance(event, Poured):
        # In full: the file must mean the same even if a default changes.
        content["pour"] = event.pour.model_dump(mode="json")
    content = {"event": event.event, "what": event.what, **content}
    if isinstance(event, Begun):
        content = enveloped("journal", VERSION, content)
    return json.dumps(content, ensure_ascii=False, allow_nan=False)


def event_of(content: Any) -> Event:
    """The event that a line holds, once read as JSON.

    Raises
    ------
    FileError
        Naming the wrong entry; also for a journal of a newer version.
    """
    if isinstance(content, dict) and content.get("what") == "begun":
        _, content = checked_envelope(content, {"journal": VERSION})
    try:
        return _FORM.validate_python(content)
    except ValidationError as found:
        raise readable(found, FileError, "event") from None
    except ShadematchError as found:
        raise FileError(
            found.problem, field=found.field, value=found.value, remedy=found.remedy
        ) from None
