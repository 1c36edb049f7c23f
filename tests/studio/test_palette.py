"""Palettes in and out, and every bad entry named."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM


def entries() -> dict[str, Any]:
    return sm.demo_palette().model_dump(mode="json")


def written(folder: Path, data: dict[str, Any]) -> Path:
    """A palette file that holds this."""
    text = json.dumps({"format": "shadematch palette", "version": 1, **data})
    (folder / "p.json").write_text(text, encoding="utf-8")
    return folder / "p.json"


def test_demo_palette_says_that_it_is_invented() -> None:
    palette = sm.demo_palette()
    assert len(palette.pigments) == 5
    assert "Invented" in palette.note
    assert all(85 <= p.tube_size <= 90 for p in palette.pigments)  # common practice, no source


def test_demo_palette_is_what_its_script_writes(tmp_path: Path) -> None:
    import importlib.util

    source = Path(__file__).parents[2] / "data" / "make_demo_palette.py"
    spec = importlib.util.spec_from_file_location("make_demo_palette", source)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.palette() == sm.demo_palette()
    text = resources.files("shadematch").joinpath("resources", "demo-palette.json").read_bytes()
    sm.save(module.palette(), tmp_path / "demo.json")
    assert (tmp_path / "demo.json").read_bytes() == text


def test_round_trip(tmp_path: Path) -> None:
    palette = sm.demo_palette()
    sm.save(palette, tmp_path / "p.json")
    assert sm.read(tmp_path / "p.json", sm.Palette) == palette
    assert sm.read(str(tmp_path / "p.json"), sm.Palette) == palette
    assert hash(palette) == hash(sm.read(tmp_path / "p.json", sm.Palette))


def test_other_wavelengths_are_brought_onto_the_grid(tmp_path: Path) -> None:
    data = entries()
    grid = list(range(400, 701, 20))
    data["wavelengths_nm"] = grid
    for thing in (*data["pigments"], data["clear"], data["white"]):
        for key in ("absorption", "scattering"):
            if thing.get(key) is not None:
                thing[key] = np.interp(grid, WAVELENGTHS_NM, thing[key]).tolist()
    written(tmp_path, data)
    coarse, fine = sm.read(tmp_path / "p.json", sm.Palette), sm.demo_palette()
    for a, b in zip(coarse.pigments, fine.pigments, strict=True):
        inner = (WAVELENGTHS_NM >= 400) & (WAVELENGTHS_NM <= 700)
        gap = np.abs(np.array(a.absorption) - np.array(b.absorption))[inner]
        assert gap.max() < 0.15 * max(b.absorption)


def test_finer_wavelengths_are_read_off_where_they_coincide(tmp_path: Path) -> None:
    data = entries()
    grid = np.arange(360, 781, 5)
    data["wavelengths_nm"] = grid.tolist()
    for thing in (*data["pigments"], data["clear"], data["white"]):
        for key in ("absorption", "scattering"):
            if thing.get(key) is not None:
                thing[key] = np.interp(grid, WAVELENGTHS_NM, thing[key]).tolist()
    written(tmp_path, data)
    fine, own = sm.read(tmp_path / "p.json", sm.Palette), sm.demo_palette()
    for a, b in zip(
        (*fine.pigments, fine.clear, fine.white), (*own.pigments, own.clear, own.white), strict=True
    ):
        assert a.absorption == pytest.approx(b.absorption, rel=1e-12)
        if a.scattering is not None:
            assert a.scattering == pytest.approx(b.scattering, rel=1e-12)


def test_round_trip_of_everything_a_paste_may_have(tmp_path: Path) -> None:
    own = sm.demo_palette()
    odd = sm.Pigment(
        name="Möwe \u2014 \U0001f426 <b>",
        absorption=tuple(np.linspace(0, 1 / 3, 36).tolist()),
        scattering=tuple(np.linspace(5e-324, 1e3, 36).tolist()),
        tube_size=85.5,
        tube_price=None,
    )
    palette = sm.Palette(pigments=(odd, *own.pigments), clear=own.clear, white=own.white, note="x")
    sm.save(palette, tmp_path / "p.json")
    assert sm.read(tmp_path / "p.json", sm.Palette) == palette
    assert sm.Palette(**palette.model_dump(mode="json")) == palette


def test_only_without_index() -> None:
    palette = sm.demo_palette()
    first, second, *_ = palette.names
    assert palette.only(second, first).names == (first, second)
    assert palette.without(first).names == palette.names[1:]
    assert palette[second].name == second
    with pytest.raises(sm.UnknownNameError, match=rf"no such pigment.*'nope'.*{first}"):
        palette.only("nope")
    with pytest.raises(sm.PaletteError, match="no pigments"):
        palette.without(*palette.names)


BAD: list[tuple[str, Any, str]] = [
    ("format", "something else", "format"),
    ("version", 2, "version"),
    ("version", True, "version"),
    ("version", None, "version"),
    ("wavelengths_nm", None, "wavelengths_nm"),
    ("wavelengths_nm", [500, 600], "wavelengths_nm"),
    ("wavelengths_nm", [True] * 36, "wavelengths_nm"),
    ("pigments", [], "pigments"),
    ("pigments", None, "pigments"),
    ("pigments", 3, "pigments"),
    ("pigments", [3], "pigments.0"),
    ("clear", None, "clear"),
    ("clear", {"absorption": [0.0] * 36}, "clear.scattering"),
    ("white", {"absorption": "dark", "scattering": [0.0] * 36}, "white.absorption"),
    ("shade", 3, "shade"),
    ("note", 3, "note"),
]


@pytest.mark.parametrize(("field", "value", "named"), BAD)
def test_bad_entry_of_the_palette(field: str, value: Any, named: str) -> None:
    data = entries()
    data[field] = value
    with pytest.raises(sm.PaletteError) as found:
        sm.Palette(**data)
    assert found.value.field == named
    assert found.value.remedy


def test_missing_entries_are_named(tmp_path: Path) -> None:
    for key in ("name", "absorption"):
        data = entries()
        del data["pigments"][0][key]
        with pytest.raises(sm.PaletteError, match=rf"pigments\.0\.{key}: is missing"):
            sm.Palette(**data)
    for base in ("clear", "white"):
        for key in ("absorption", "scattering"):
            data = entries()
            del data[base][key]
            with pytest.raises(sm.PaletteError, match=rf"{base}\.{key}: is missing"):
                sm.Palette(**data)
    for key in ("wavelengths_nm", "pigments", "clear", "white"):
        data = entries()
        del data[key]
        with pytest.raises(sm.FileError, match=f": {key}: is missing"):
            sm.read(written(tmp_path, data), sm.Palette)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("white", "absorption", 3), -0.5),
        (("clear", "scattering", 0), float("nan")),
        (("clear", "absorption"), [0.1] * 37),
        (("wavelengths_nm", 0), "380"),
        (("wavelengths_nm", 1), 380.0),
        (("wavelengths_nm", 1), float("nan")),
        (("pigments", 0, "tube_price"), True),
        (("pigments", 0, "name"), "x" * 201),
        (("pigments", 0, "absorption", 0), 10**400),
        (("pigments", 0, "tube_size"), 10**400),
        (("wavelengths_nm", 35), 10**400),
        (("clear", "scattering"), [1e308] * 36),
    ],
)
def test_bad_number_deep_inside(path: tuple[Any, ...], value: Any) -> None:
    data = entries()
    inner = data
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    with pytest.raises(sm.PaletteError) as found:
        palette = sm.Palette(**data)
        sm.predict({palette.names[0]: 1}, palette=palette, pour=sm.Pour(batch_g=100))
    named = ".".join(str(key) for key in path if path.index(key) < 3)
    assert named.startswith(found.value.field)
    assert found.value.remedy


def test_too_many_and_twice() -> None:
    data = entries()
    data["pigments"] = [{**data["pigments"][0], "name": str(i)} for i in range(13)]
    with pytest.raises(sm.PaletteError, match="more than twelve"):
        sm.Palette(**data)
    data = entries()
    data["pigments"].append(data["pigments"][0])
    with pytest.raises(sm.PaletteError, match="appears twice"):
        sm.Palette(**data)


@pytest.mark.parametrize(
    "content",
    [
        *(b"", b"{", b"[]", b"3", b"null", b"\xff\xfe\x00", b"[" * 9999),
        *(b'"palette"', b"true", b'{"version": ' + b"1" * 5000 + b"}"),
    ],
)
def test_not_a_palette_file(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "p.json").write_bytes(content)
    with pytest.raises(sm.FileError):
        sm.read(tmp_path / "p.json", sm.Palette)


def test_unreadable_places(tmp_path: Path) -> None:
    for place in (tmp_path / "missing.json", tmp_path):
        with pytest.raises(sm.FileError, match="can't be read"):
            sm.read(place, sm.Palette)
    with pytest.raises(sm.FileError, match="can't be written"):
        sm.save(sm.demo_palette(), tmp_path / "no" / "p.json")


def test_failed_save_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "p.json"
    sm.save(sm.demo_palette(), place)
    before = place.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(sm.FileError, match="No space"):
        sm.save(sm.demo_palette().only("gorse"), place, replace=True)
    assert place.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["p.json"]


def test_interrupted_save_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "p.json"
    sm.save(sm.demo_palette(), place)
    before = place.read_bytes()

    def stopped(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", stopped)
    with pytest.raises(KeyboardInterrupt):
        sm.save(sm.demo_palette().only("gorse"), place, replace=True)
    assert place.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["p.json"]


def test_others_in_the_studio_can_read_a_saved_palette(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    sm.save(sm.demo_palette(), tmp_path / "p.json")
    assert (tmp_path / "p.json").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_impossible_path() -> None:
    with pytest.raises(sm.FileError, match="path"):
        sm.read("a\0b", sm.Palette)


def test_only_and_without_keep_bases_and_note() -> None:
    palette = sm.demo_palette()
    for part in (palette.only("kelp"), palette.without("kelp")):
        assert (part.clear, part.white, part.note) == (palette.clear, palette.white, palette.note)
    assert [palette.index(name) for name in palette.names] == list(range(5))
    with pytest.raises(sm.UnknownNameError) as found:
        palette.without("gorse", "ink")
    assert found.value.value == "ink"
    assert "gorse" in found.value.remedy


def test_numbers_in_errors_look_like_numbers() -> None:
    error = sm.PaletteError("is wrong", field="a", value=np.float64(1.5), remedy="Mend it")
    assert str(error) == "a: is wrong (got 1.5). Mend it"
    assert isinstance(error.value, np.float64)


def test_a_complaint_stays_readable_whatever_the_name_of_the_entry() -> None:
    entry = "{" * 100_000
    with pytest.raises(sm.PaletteError) as caught:
        sm.Palette(**{**sm.demo_palette().model_dump(mode="json"), entry: 1})
    assert caught.value.field == entry
    assert len(str(caught.value)) < 1000
    assert caught.value.remedy in str(caught.value)
