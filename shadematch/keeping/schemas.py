"""JSON Schemas of the files: ``python -m shadematch.keeping.schemas FOLDER`` writes them.

They are made from the models that check files when they are read, and say what JSON Schema can
say of it. Some rules it can't: spectra as long as their wavelengths, known names, a fingerprint
that fits.

References
----------
JSON Schema, draft 2020-12, https://json-schema.org/draft/2020-12.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Literal

from shadematch.colour.standards import OBSERVERS
from shadematch.errors import FileError
from shadematch.keeping.form import SavedFile
from shadematch.keeping.recipes import FORMAT as RECIPE, VERSION as RECIPE_VERSION
from shadematch.keeping.target_lists import (
    FORMAT as TARGETS,
    VERSION as TARGETS_VERSION,
    TargetsFile,
)
from shadematch.studio.palette import FORMAT as PALETTE, VERSION as PALETTE_VERSION, Palette
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.files import write_json

__all__ = ["json_schema"]

Kind = Literal["palette", "targets", "recipe", "pour", "view"]
KINDS: Final[tuple[Kind, ...]] = ("palette", "targets", "recipe", "pour", "view")
_TITLES: Final = {
    "palette": "shadematch palette: pastes and bases",
    "targets": "shadematch targets: wanted colours",
    "recipe": "shadematch recipe: what save keeps",
    "pour": "shadematch pour: what is made",
    "view": "shadematch view: how it is looked at",
}


_LIMITS: Final = {
    "ge": "minimum",
    "le": "maximum",
    "gt": "exclusiveMinimum",
    "lt": "exclusiveMaximum",
}
"""Limits that stand outside a validator keep pydantic's words."""


def json_schema(kind: Kind) -> dict[str, Any]:
    """The JSON Schema of one kind of file, draft 2020-12.

    Parameters
    ----------
    kind
        ``"palette"`` (`Palette.save`), ``"targets"`` (`save_targets`), ``"recipe"`` (`save`),
        or ``"pour"`` or ``"view"``, which stand in the latter.

    Raises
    ------
    FileError
        If there is no such kind.
    """
    makers: dict[str, Callable[[], dict[str, Any]]] = {
        "palette": _palette,
        "targets": lambda: _enveloped(TargetsFile.model_json_schema(), TARGETS, TARGETS_VERSION),
        "recipe": _recipe,
        "pour": Pour.model_json_schema,
        "view": View.model_json_schema,
    }
    if not isinstance(kind, str) or kind not in makers:
        raise FileError(
            "is no kind of file", field="kind", value=kind, remedy=f"Take one of {', '.join(KINDS)}"
        )
    found = makers[kind]()
    _sharpen(found)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": _TITLES[kind]}
    return {**head, **found}


def _enveloped(schema: dict[str, Any], format_: str, version: int) -> dict[str, Any]:
    """The schema of a file that says what it is."""
    head: dict[str, Any] = {"format": {"const": format_}, "version": {"const": version}}
    schema["properties"] = {**head, **schema["properties"]}
    schema["required"] = [*head, *schema.get("required", [])]
    return schema


def _palette() -> dict[str, Any]:
    schema = _enveloped(Palette.model_json_schema(), PALETTE, PALETTE_VERSION)
    numbers: dict[str, Any] = {"type": "array", "items": {"type": "number"}, "minItems": 2}
    schema["properties"]["wavelengths_nm"] = {**numbers, "description": "rising, 400 to 700 nm"}
    schema["required"].append("wavelengths_nm")
    schema["properties"]["pigments"] |= {"minItems": 1, "maxItems": 8}
    # Files may have wavelengths of their own, so that the models' 36 values don't hold for them.
    values = {**numbers, "items": {"type": "number", "minimum": 0, "maximum": 1e9}}
    for name in ("Base", "Pigment"):
        entries = schema["$defs"][name]["properties"]
        entries["absorption"] = values
        entries["scattering"] = (
            {"anyOf": [values, {"type": "null"}]} if name == "Pigment" else (values)
        )
    return schema


def _recipe() -> dict[str, Any]:
    schema = _enveloped(SavedFile.model_json_schema(), RECIPE, RECIPE_VERSION)
    palette = _palette()
    schema["$defs"] |= palette.pop("$defs")
    schema["$defs"]["Palette"] = palette
    schema["properties"]["palette"] = {"$ref": "#/$defs/Palette"}
    schema["properties"]["fingerprint"] |= {"pattern": "^[0-9a-f]{4}(-[0-9a-f]{4}){2}$"}
    return schema


def _sharpen(schema: Any) -> None:
    """What holds everywhere: no other entries, limits, the two observers; no names of the code."""
    if isinstance(schema, list):
        for part in schema:
            _sharpen(part)
    if not isinstance(schema, dict):
        return
    for word, standard in _LIMITS.items():
        if isinstance(schema.get(word), int | float):
            schema[standard] = schema.pop(word)
    if isinstance(schema.get("title"), str):
        del schema["title"]
    if "properties" in schema:
        schema.setdefault("additionalProperties", False)
        if schema.get("type") == "object":
            schema.pop("description", None)  # the class's docstring
        observer = schema["properties"].get("observer")
        if observer is not None:
            observer["enum"] = list(OBSERVERS)
    for part in schema.values():
        _sharpen(part)


def main(folder: str) -> None:
    """Write all of them."""
    for kind in KINDS:
        write_json(Path(folder) / f"{kind}.schema.json", json_schema(kind))


if __name__ == "__main__":
    main(sys.argv[1])
