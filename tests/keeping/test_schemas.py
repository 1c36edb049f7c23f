"""The published schemas against what the library writes and refuses; validator: jsonschema."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

import shadematch as sm
from shadematch.keeping.schemas import _FORMS as KINDS, json_schema, main as write_schemas

PUBLISHED = Path(__file__).parents[2] / "docs" / "schemas"
CHECK = {kind: Draft202012Validator(json_schema(kind)) for kind in KINDS}
POUR = sm.Pour(batch_g=100, thickness_cm=1.5)
LAMP = sm.Illuminant("hall", tuple(range(380, 731, 5)), tuple(np.linspace(1, 3, 71)))


def targets() -> list[sm.Target]:
    spectrum = np.linspace(0.1, 0.8, 36).tolist()
    covariance = ((1.0, 0.1, 0.0), (0.1, 2.0, 0.0), (0.0, 0.0, 0.5))
    return [
        sm.Target.from_hex("#d9822b"),
        sm.Target.from_lab((50, 10, 10), illuminant="D50", observer="10", covariance=covariance),
        sm.Target.from_lab((50, 10, 10), illuminant=LAMP),
        sm.Target.from_reflectance(range(380, 731, 10), spectrum),
    ]


def written(folder: Path) -> dict[str, tuple[str, Path]]:
    """Kind and place of files of every kind that the library writes."""
    files = {
        name: folder / f"{name}.json"
        for name in (
            "palette",
            "targets",
            "recipe",
            "match",
            "robust",
            "several",
            "let down",
            "spectrum",
        )
    }
    sm.save(sm.demo_palette(), files["palette"])
    sm.save(targets(), files["targets"], note="spring")
    sm.save(sm.Recipe({"gorse": 2}, POUR), files["recipe"], view=sm.View(backing=0.4))
    sm.save(sm.match("#d9822b", pour=POUR, view=sm.View(illuminant=LAMP)), files["match"])
    sm.save(sm.match("#d9822b", pour=POUR, robust=True), files["robust"], note="for the fair")
    sm.save(sm.match("#d9822b", pour=POUR, lights=["D65", LAMP]), files["several"])
    let_down = sm.LetDown.made("gorse", paste=1, base_g=50)
    sm.save(sm.match("#f2e6b8", pour=POUR, let_downs=[let_down]), files["let down"])
    view = sm.View(backing=tuple(np.linspace(0.2, 0.9, 36)), through=True)
    sm.save(sm.match(targets()[3], pour=POUR, view=view), files["spectrum"])
    kinds = {"palette": "palette", "targets": "targets"}
    return {name: (kinds.get(name, "recipe"), path) for name, path in files.items()}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, Any]]:
    found = written(tmp_path_factory.mktemp("written"))
    return {n: (k, json.loads(p.read_text(encoding="utf-8"))) for n, (k, p) in found.items()}


def test_the_published_schemas_are_todays(tmp_path: Path) -> None:
    write_schemas(str(tmp_path))
    names = {f"{kind}.schema.json" for kind in KINDS}
    assert names == {p.name for p in PUBLISHED.iterdir()} == {p.name for p in tmp_path.iterdir()}
    for name in names:
        told = "run: python -m shadematch.keeping.schemas docs/schemas"
        # Older versions of pydantic write the same in another order.
        now, then = (json.loads((at / name).read_bytes()) for at in (tmp_path, PUBLISHED))
        assert now == then, told


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_a_schema(kind: str) -> None:
    """Sound, and without words that the standard does not know."""
    schema = json_schema(kind)
    Draft202012Validator.check_schema(schema)
    known = set(Draft202012Validator.VALIDATORS) | {
        *("$schema", "title", "description", "default", "$defs", "$ref"),
    }

    def words(part: Any) -> Iterator[str]:
        if isinstance(part, dict):
            for word, inside in part.items():
                yield word
                named = word in ("properties", "$defs")
                yield from (
                    (w for p in inside.values() for w in words(p))
                    if named
                    else (words(inside) if word != "default" else ())
                )
        elif isinstance(part, list):
            for inside in part:
                yield from words(inside)

    assert set(words(schema)) <= known


def test_what_the_library_writes_is_valid(files: dict[str, tuple[str, Any]]) -> None:
    for name, (kind, content) in files.items():
        assert not list(CHECK[kind].iter_errors(content)), name
    content = files["match"][1]
    assert CHECK["pour"].is_valid(content["recipe"]["pour"])
    assert CHECK["view"].is_valid(content["view"])


def broken(content: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Ways to break a file: an entry gone, unknown, of another kind, or far out of range."""

    def put(where: tuple[Any, ...], value: object, gone: bool = False) -> Any:
        new = copy.deepcopy(content)
        inside = new
        for step in where[:-1]:
            inside = inside[step]
        if gone:
            del inside[where[-1]]
        else:
            inside[where[-1]] = value
        return new

    def walk(part: Any, where: tuple[Any, ...]) -> Iterator[tuple[tuple[Any, ...], Any]]:
        if isinstance(part, dict):
            yield (*where, "unheard of", "added"), put((*where, "unheard of"), 1)
            for key, value in part.items():
                yield (*where, key, "gone"), put((*where, key), None, gone=True)
                yield from walk(value, (*where, key))
        elif isinstance(part, list):
            yield (*where, "text"), put(where, "text")
            if part:
                yield from walk(part[0], (*where, 0))
        elif where:
            for value in (True, [], {}, -7, 1e300, "#nonsense", None):
                yield (*where, repr(value)), put(where, value)

    yield from walk(content, at)


@pytest.mark.parametrize("name", ["palette", "targets", "recipe", "several"])
def test_whatever_breaks_the_schema_is_refused(
    name: str, files: dict[str, tuple[str, Any]], tmp_path: Path
) -> None:
    """Valid for the library means valid for the schema: no broken file is read.

    A file may be refused that the schema lets pass: it can't say all.
    """
    kind, content = files[name]
    path = tmp_path / "broken.json"
    invalid = 0
    for what, mutant in broken(content):
        if CHECK[kind].is_valid(mutant):
            continue
        invalid += 1
        path.write_text(json.dumps(mutant), encoding="utf-8")
        with pytest.raises(sm.ShadematchError):
            sm.read(path)
            pytest.fail(f"read although {what}")
    assert invalid > 30


def test_there_is_no_schema_of_anything_else() -> None:
    with pytest.raises(sm.FileError, match="kind"):
        json_schema("soap")
