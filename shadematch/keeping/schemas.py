"""JSON Schemas of the files: ``python -m shadematch.keeping.schemas FOLDER`` writes them.

They are made from the models that check files when they are read. Some rules are beyond JSON
Schema: spectra as long as their wavelengths, known names, a fingerprint that fits.

References
----------
JSON Schema, draft 2020-12, https://json-schema.org/draft/2020-12.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter

from shadematch.colour.standards import OBSERVERS
from shadematch.errors import FileError
from shadematch.keeping.files import KINDS
from shadematch.studio.palette import MOST_PIGMENTS
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.files import enveloped, write_json

__all__ = ["json_schema"]

_FORMS: Final[dict[str, TypeAdapter[Any]]] = {
    **{name: kind.form for name, kind in KINDS.items() if kind.form is not None},
    "pour": TypeAdapter(Pour),
    "view": TypeAdapter(View),
}
_TITLES: Final = {
    "palette": "shadematch palette: pastes and bases",
    "targets": "shadematch targets: wanted colours",
    "recipe": "shadematch recipe: what is kept of a recipe or match",
    "pour": "shadematch pour: what is made",
    "view": "shadematch view: how it is looked at",
}
_GRID: Final = {
    "type": "array",
    "items": {"type": "number"},
    "minItems": 2,
    "description": "rising, 400 to 700 nm",
}
_LIMITS: Final = {
    "ge": "minimum",
    "le": "maximum",
    "gt": "exclusiveMinimum",
    "lt": "exclusiveMaximum",
}
"""Pydantic's words for limits outside a validator, and those of JSON Schema."""


def json_schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of one kind of file, draft 2020-12.

    Parameters
    ----------
    kind
        ``"palette"``, ``"targets"`` or ``"recipe"``, as `save` writes them, or ``"pour"`` or
        ``"view"``, which recipes contain.

    Raises
    ------
    FileError
        If there is no published schema for it.
    """
    if not isinstance(kind, str) or kind not in _FORMS:
        known = ", ".join(_FORMS)
        raise FileError("has no schema", field="kind", value=kind, remedy=f"Take one of {known}")
    schema = _FORMS[kind].json_schema()
    parts = schema.get("$defs", {})
    palette = schema if kind == "palette" else parts.get("Palette")
    if palette is not None:
        _state(palette, "wavelengths_nm", _GRID)
        palette["properties"]["pigments"] |= {"minItems": 1, "maxItems": MOST_PIGMENTS}
    if kind == "recipe":
        pattern = "^[0-9a-f]{4}(-[0-9a-f]{4}){2}$"
        _state(parts["Palette"], "fingerprint", {"type": "string", "pattern": pattern})
    if kind in KINDS:
        for name, value in reversed(enveloped(kind, KINDS[kind].version, {}).items()):
            _state(schema, name, {"const": value})
    _sharpen(schema)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": _TITLES[kind]}
    return {**head, **schema}


def _state(schema: dict[str, Any], name: str, entry: dict[str, Any]) -> None:
    """Require one more entry, before the others."""
    schema["properties"] = {name: entry, **schema["properties"]}
    schema["required"] = [name, *schema.get("required", [])]


def _sharpen(schema: Any) -> None:
    """Forbid other entries, state limits and observers, drop the names and docs of classes."""
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
    """Write all schemas into a folder, which is made if it does not exist."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    for kind in _FORMS:
        write_json(Path(folder) / f"{kind}.schema.json", json_schema(kind), replace=True)


if __name__ == "__main__":
    main(sys.argv[1])
