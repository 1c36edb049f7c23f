"""Tables of results, targets out of tables, spectra to and from colour-science."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

import shadematch as sm
from shadematch.matching.match import Match

CODES = ["#d9822b", "#335577", "#88aa44", "#101010", "#f0e0c0"]
POUR = sm.Pour(batch_g=200)


@pytest.fixture(scope="module")
def matches() -> list[Match]:
    return list(sm.match_many(CODES, pour=POUR))


def test_a_table_says_what_the_matches_say(tmp_path: Path, matches: list[Match]) -> None:
    seen: list[int] = []
    assert sm.write_results(tmp_path / "a.csv", matches, progress=seen.append) == len(CODES)
    assert seen == [len(CODES)]
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert sm.write_results(tmp_path / "a.parquet", matches) == len(CODES)
    kept = pq.read_table(tmp_path / "a.parquet").to_pandas()
    frame = sm.results_frame(matches)
    pd.testing.assert_frame_equal(kept, frame)
    for row, (_, entry), m in zip(rows, frame.iterrows(), matches, strict=True):
        assert row["target_hex"] == entry["target_hex"] == m.target.hex
        assert float(row["delta_e"]) == entry["delta_e"] == m.delta_e
        for name in m.palette.names:
            dose = m.recipe.doses.get(name, 0.0)
            assert float(row[f"{name} [cm]"]) == entry[f"{name} [cm]"] == dose
        lab = [entry[f"predicted_{c}"] for c in "Lab"]
        assert lab == pytest.approx(m.predicted.lab, abs=1e-9)
        assert entry["predicted_hex"] == m.predicted.hex
        assert entry["proved"]


def test_names_cannot_become_formulas(tmp_path: Path) -> None:
    demo = sm.load_palette()
    evil = demo.pigments[0].model_copy(update={"name": '=HYPERLINK("x")'})
    palette = sm.Palette(pigments=(evil, *demo.pigments[1:3]), clear=demo.clear, white=demo.white)
    sm.write_results(tmp_path / "a.csv", [sm.match("#d9822b", palette=palette)])
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert '\'=HYPERLINK("x") [cm]' in cells
    for cell in cells:
        # A number may start with its sign.
        assert not cell.startswith(("=", "@", "\t", "\r")), cell
        if cell.startswith(("+", "-")):
            float(cell)


def test_an_error_on_the_way_leaves_what_was_there(tmp_path: Path, matches: list[Match]) -> None:
    def broken() -> Iterator[Match]:
        yield from matches * 900  # more than one piece
        raise RuntimeError("on the way")

    for name in ("a.csv", "a.parquet"):
        (tmp_path / name).write_text("old")
        with pytest.raises(RuntimeError, match="on the way"):
            sm.write_results(tmp_path / name, broken())
        assert (tmp_path / name).read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "a.parquet"]


def test_no_matches_at_all(tmp_path: Path) -> None:
    assert sm.write_results(tmp_path / "a.csv", []) == 0
    assert sm.write_results(tmp_path / "a.parquet", []) == 0
    assert sm.results_frame([]).empty


def test_tables_that_cannot_be(tmp_path: Path, matches: list[Match]) -> None:
    with pytest.raises(sm.FileError, match=r"\.csv or \.parquet"):
        sm.write_results(tmp_path / "a.txt", matches)
    with pytest.raises(sm.FileError, match="can't be written"):
        sm.write_results(tmp_path / "nowhere" / "a.csv", matches)
    with pytest.raises(sm.PourError, match="matches"):
        sm.write_results(tmp_path / "a.csv", ["#fff"])  # type: ignore[list-item]
    fewer = sm.match("#d9822b", palette=sm.load_palette().without("kelp"))
    with pytest.raises(sm.ShadematchError, match="palettes"):
        sm.write_results(tmp_path / "a.csv", [*matches, fewer])
    assert list(tmp_path.iterdir()) == []


def test_targets_from_tables() -> None:
    codes = sm.targets_from_frame(pd.DataFrame({"hex": CODES}))
    assert [t.hex for t in codes] == CODES
    lab = pd.DataFrame([t.lab for t in codes], columns=["L", "a", "b"])
    assert [t.lab for t in sm.targets_from_frame(lab)] == [t.lab for t in codes]
    frame = sm.results_frame(sm.match_many(codes[:2], pour=POUR))
    assert sm.targets_from_frame(frame.rename(columns={"target_hex": "hex"}))[0].hex == CODES[0]
    with pytest.raises(sm.ColourError, match="row 2"):
        sm.targets_from_frame(pd.DataFrame({"hex": ["#fff", "nonsense"]}))
    with pytest.raises(sm.ColourError, match="has no colours"):
        sm.targets_from_frame(pd.DataFrame({"colour": ["#fff"]}))


def test_columns_may_be_written_otherwise() -> None:
    targets = some_targets()
    frame = sm.targets_frame(targets)
    for write in (str.upper, str.lower, lambda name: f"  {name.title()} "):
        assert sm.targets_from_frame(frame.rename(columns=write)) == targets
    short = {f"{nm} nm": f"R{nm}" for nm in range(380, 731, 10)}
    assert sm.targets_from_frame(frame.rename(columns=short)) == targets
    # CIE 15: small letters are chromaticities. They don't count beside X, Y, Z, nor without.
    both = pd.DataFrame({"x": [0.3127], "y": [0.329], "X": [19.0], "Y": [20.0], "Z": [21.0]})
    assert sm.targets_from_frame(both)[0].lab == sm.Target.from_xyz((19, 20, 21)).lab
    small = pd.DataFrame({"x": [0.3127], "y": [0.329], "z": [0.3583]})
    with pytest.raises(sm.ColourError, match=r"row 1, xyz: add up to 1.*Give X, Y, Z"):
        sm.targets_from_frame(small)
    for twice in (["HEX", "Hex"], ["hex", "hex"]):
        with pytest.raises(sm.ColourError, match=r"frame: several columns .*Keep one"):
            sm.targets_from_frame(pd.DataFrame([CODES[:2]], columns=twice))
    assert (
        sm.targets_from_frame(pd.DataFrame([CODES[:2]], columns=["HEX", "hex"]))[0].hex == CODES[1]
    )


def test_spectra_to_and_from_colour_science(colour: ModuleType) -> None:
    found = sm.predict({"gorse": 2, "jetty": 1})
    there = sm.distribution_of(found)
    assert isinstance(there, colour.SpectralDistribution)
    assert np.array_equal(there.values, found.reflectance)
    back = sm.target_from_distribution(there)
    assert back.lab_in(sm.View()) == pytest.approx(np.array(found.lab), abs=1e-9)
    # Its own way from a spectrum to XYZ, at 10 nm, is CIE 15's by ASTM E308.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it aligns tables of different ranges, and says so
        xyz = colour.sd_to_XYZ(there, illuminant=colour.SDS_ILLUMINANTS["D65"])
    assert xyz == pytest.approx(np.array(found.xyz), abs=0.02)
    with pytest.raises(sm.ColourError, match="distribution"):
        sm.target_from_distribution([0.1, 0.2])


def some_targets() -> list[sm.Target]:
    spectrum = sm.Target.from_reflectance(range(380, 731, 10), np.linspace(0.1, 0.8, 36).tolist())
    covariance = ((1.0, 0.1, 0.0), (0.1, 2.0, 0.3), (0.0, 0.3, 0.5))
    return [
        sm.Target.from_hex("#d9822b"),
        sm.Target.from_lab((50, 10, 10), illuminant="D50", observer="10", covariance=covariance),
        sm.Target.from_xyz((20, 25, 30), illuminant="A"),
        spectrum,
    ]


@pytest.mark.parametrize("way", ["frame", "csv", "parquet"])
def test_a_catalogue_goes_to_pandas_and_back(tmp_path: Path, way: str) -> None:
    targets = some_targets()
    frame = sm.targets_frame(targets)
    if way == "csv":
        frame.to_csv(tmp_path / "a.csv", index=False)
        frame = pd.read_csv(tmp_path / "a.csv")
    if way == "parquet":
        frame.to_parquet(tmp_path / "a.parquet")
        frame = pd.read_parquet(tmp_path / "a.parquet")
    back = sm.targets_from_frame(frame)
    for now, then in zip(back, targets, strict=True):
        assert (now.illuminant, now.observer, now.source) == (
            then.illuminant,
            then.observer,
            then.source,
        )
        assert now.lab == pytest.approx(then.lab, abs=1e-9)
        assert now.covariance == then.covariance
        assert (now.reflectance is None) == (then.reflectance is None)
    assert back[3].reflectance == pytest.approx(np.asarray(targets[3].reflectance), abs=1e-12)
    assert sm.targets_from_frame(sm.targets_frame(targets[:3])) == targets[:3]
    assert sm.targets_frame([]).empty


def test_spectra_at_their_own_wavelengths() -> None:
    frame = pd.DataFrame(
        [[0.2 + nm / 4000 for nm in range(400, 701, 20)]], columns=range(400, 701, 20)
    )
    frame["hex"] = "#ffffff"  # the spectrum says more
    target = sm.targets_from_frame(frame)[0]
    assert target.reflectance is not None and target.reflectance[12] == pytest.approx(0.325)


def test_rows_and_targets_that_a_table_cannot_hold() -> None:
    gaps = pd.DataFrame({"hex": ["#fff", None]})
    with pytest.raises(sm.ColourError, match="row 2, target: has no colour"):
        sm.targets_from_frame(gaps)
    lamp = sm.Illuminant("hall", tuple(range(380, 731, 10)), (1.0,) * 36)
    with pytest.raises(sm.ColourError, match="save_targets"):
        sm.targets_frame([sm.Target.from_lab((50, 0, 0), illuminant=lamp)])
    with pytest.raises(sm.PourError, match="targets"):
        sm.targets_frame(["#fff"])  # type: ignore[list-item]


def test_recipes_come_back_out_of_a_table(tmp_path: Path, matches: list[Match]) -> None:
    want = [m.recipe for m in matches]
    assert sm.recipes_from_frame(sm.results_frame(matches), pour=POUR) == want
    sm.write_results(tmp_path / "a.csv", matches)
    assert sm.recipes_from_frame(pd.read_csv(tmp_path / "a.csv"), pour=POUR) == want
    odd = pd.DataFrame({"'=gorse [cm]": [1.0], "'quoted' [cm]": [2]})
    assert sm.recipes_from_frame(odd)[0].doses == {"=gorse": 1.0, "'quoted'": 2.0}
    for wrong in (-1.0, float("nan"), "two", 1e9, True):
        with pytest.raises(sm.PourError, match="row 1, gorse"):
            sm.recipes_from_frame(pd.DataFrame({"gorse [cm]": [wrong]}, dtype=object))
    with pytest.raises(sm.PourError, match="has no doses"):
        sm.recipes_from_frame(pd.DataFrame({"gorse": [1]}))
    with pytest.raises(sm.PourError, match="pour"):
        sm.recipes_from_frame(odd, pour=5)  # type: ignore[arg-type]


def test_a_csv_opens_rightly_in_a_spreadsheet(tmp_path: Path) -> None:
    """UTF-8 with its mark, CRLF and quotes after RFC 4180; no cell that counts as a formula."""
    demo = sm.load_palette()
    names = ['=1+1", "x', "＝SUM(A1)", "@größe", "\tfoo\nbar", "-2+3"]
    pigments = tuple(
        p.model_copy(update={"name": name}) for p, name in zip(demo.pigments, names, strict=True)
    )
    palette = demo.model_copy(update={"pigments": pigments})
    target = sm.Target(sm.Target.from_hex("#d9822b").lab, source="=cmd|' /C calc'!A0")
    sm.write_results(tmp_path / "a.csv", [sm.match(target, palette=palette)])
    raw = (tmp_path / "a.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf") and raw.endswith(b"\r\n")
    assert raw.count(b"\r\n") == 2
    frame = pd.read_csv(tmp_path / "a.csv")
    assert frame["target"][0].startswith("'=cmd")
    assert [c for c in frame.columns if c.endswith("[cm]")] == [f"'{n} [cm]" for n in names]
    assert sm.recipes_from_frame(frame)[0].doses.keys() <= set(names)


def test_a_form_for_test_pours_is_harmless_too(tmp_path: Path) -> None:
    plan = sm.starter_plan(["=gorse", "@dusk"])
    plan.save(tmp_path / "form.csv")
    with (tmp_path / "form.csv").open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert any("=gorse" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))]


def test_let_downs_stand_in_the_table(tmp_path: Path) -> None:
    """Of a paste that is weighed in part, the length in all is not what is squeezed."""
    to_hand = [sm.LetDown.made("rosehip", paste=1, base_g=25)]
    found = list(sm.match_many(["#f4e0e4", "#f0c0d0"], pour=sm.Pour(), let_downs=to_hand))
    assert any(m.recipe.weighed for m in found)
    frame = sm.results_frame(found)
    column = frame["rosehip let-down (1 cm in 25 g of clear base), mass [g]"]
    assert column.tolist() == [sum(p.mass_g for p in m.recipe.weighed) for m in found]
    with pytest.raises(sm.PourError, match="let-downs"):
        sm.recipes_from_frame(frame)
    sm.write_results(tmp_path / "a.csv", found)
    assert pd.read_csv(tmp_path / "a.csv").columns.tolist() == frame.columns.tolist()
    with pytest.raises(sm.ShadematchError, match="different let-downs"):
        sm.results_frame([*found, sm.match("#f4e0e4", pour=sm.Pour())])
