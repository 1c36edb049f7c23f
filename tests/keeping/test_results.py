"""Tables of results, and recipes out of them."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

import shadematch as sm
from shadematch.keeping.results import recipes_from_frame, results_frame, save_results
from shadematch.matching.match import Match

CODES = ["#d9822b", "#335577", "#88aa44", "#101010", "#f0e0c0"]
POUR = sm.Pour(batch_g=200)


@pytest.fixture(scope="module")
def matches() -> list[Match]:
    return list(sm.match_many(CODES, pour=POUR))


def test_a_table_says_what_the_matches_say(tmp_path: Path, matches: list[Match]) -> None:
    seen: list[int] = []
    assert save_results(matches, tmp_path / "a.csv", progress=seen.append) == len(CODES)
    assert seen == [len(CODES)]
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert save_results(matches, tmp_path / "a.parquet") == len(CODES)
    kept = pq.read_table(tmp_path / "a.parquet").to_pandas()
    frame = results_frame(matches)
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
        # Linear here, and by the full model there.
        assert entry["half_within"] == pytest.approx(m.spread.median, rel=0.1, abs=0.1)
        assert entry["nine_in_ten_within"] == pytest.approx(m.spread.p90, rel=0.1, abs=0.1)


def test_names_cannot_become_formulas(tmp_path: Path) -> None:
    demo = sm.demo_palette()
    evil = demo.pigments[0].model_copy(update={"name": '=HYPERLINK("x")'})
    palette = sm.Palette(pigments=(evil, *demo.pigments[1:3]), clear=demo.clear, white=demo.white)
    save_results(
        [sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=100))], tmp_path / "a.csv"
    )
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
        with pytest.raises(sm.FileError, match="another file is there"):
            save_results(broken(), tmp_path / name)  # not one match was made
        with pytest.raises(RuntimeError, match="on the way"):
            save_results(broken(), tmp_path / name, replace=True)
        assert (tmp_path / name).read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "a.parquet"]


def test_no_matches_at_all(tmp_path: Path) -> None:
    assert save_results([], tmp_path / "a.csv") == 0
    assert save_results([], tmp_path / "a.parquet") == 0
    assert results_frame([]).empty


def test_tables_that_cannot_be(tmp_path: Path, matches: list[Match]) -> None:
    with pytest.raises(sm.FileError, match=r"\.csv or \.parquet"):
        save_results(matches, tmp_path / "a.txt")
    with pytest.raises(sm.FileError, match="can't be written"):
        save_results(matches, tmp_path / "nowhere" / "a.csv")
    with pytest.raises(sm.PourError, match="matches"):
        save_results(["#fff"], tmp_path / "a.csv")  # type: ignore[list-item]
    fewer = sm.match(
        "#d9822b", palette=sm.demo_palette().without("kelp"), pour=sm.Pour(batch_g=100)
    )
    with pytest.raises(sm.ShadematchError, match="palettes"):
        save_results([*matches, fewer], tmp_path / "a.csv")
    assert list(tmp_path.iterdir()) == []


def test_recipes_come_back_out_of_a_table(tmp_path: Path, matches: list[Match]) -> None:
    want = [m.recipe for m in matches]
    assert recipes_from_frame(results_frame(matches), pour=POUR) == want
    save_results(matches, tmp_path / "a.csv")
    assert recipes_from_frame(pd.read_csv(tmp_path / "a.csv"), pour=POUR) == want
    odd = pd.DataFrame({"'=gorse [cm]": [1.0], "'quoted' [cm]": [2]})
    assert recipes_from_frame(odd)[0].doses == {"=gorse": 1.0, "'quoted'": 2.0}
    for wrong in (-1.0, float("nan"), "two", 1e9, True):
        with pytest.raises(sm.PourError, match="row 1, gorse"):
            recipes_from_frame(pd.DataFrame({"gorse [cm]": [wrong]}, dtype=object))
    with pytest.raises(sm.PourError, match="has no doses"):
        recipes_from_frame(pd.DataFrame({"gorse": [1]}))
    with pytest.raises(sm.PourError, match="pour"):
        recipes_from_frame(odd, pour=5)  # type: ignore[arg-type]


def test_a_csv_opens_rightly_in_a_spreadsheet(tmp_path: Path) -> None:
    """UTF-8 with its mark, CRLF and quotes after RFC 4180; no cell that counts as a formula."""
    demo = sm.demo_palette()
    names = ['=1+1", "x', "＝SUM(A1)", "@größe", "\tfoo\nbar", "-2+3"]
    pigments = tuple(
        p.model_copy(update={"name": name}) for p, name in zip(demo.pigments, names, strict=True)
    )
    palette = demo.model_copy(update={"pigments": pigments})
    target = sm.Target(sm.Target.from_hex("#d9822b").lab, source="=cmd|' /C calc'!A0")
    save_results([sm.match(target, palette=palette, pour=sm.Pour(batch_g=100))], tmp_path / "a.csv")
    raw = (tmp_path / "a.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf") and raw.endswith(b"\r\n")
    assert raw.count(b"\r\n") == 2
    frame = pd.read_csv(tmp_path / "a.csv")
    assert frame["target"][0].startswith("'=cmd")
    assert [c for c in frame.columns if c.endswith("[cm]")] == [f"'{n} [cm]" for n in names]
    assert recipes_from_frame(frame)[0].doses.keys() <= set(names)


def test_let_downs_stand_in_the_table(tmp_path: Path) -> None:
    """Of a paste that is weighed in part, the length in all is not what is squeezed."""
    to_hand = [sm.LetDown.made("rosehip", paste=1, base_g=25)]
    found = list(
        sm.match_many(["#f4e0e4", "#f0c0d0"], pour=sm.Pour(batch_g=100), let_downs=to_hand)
    )
    assert any(m.recipe.weighed for m in found)
    frame = results_frame(found)
    column = frame["rosehip let-down (1 cm in 25 g of clear base), mass [g]"]
    assert column.tolist() == [sum(p.mass_g for p in m.recipe.weighed) for m in found]
    with pytest.raises(sm.PourError, match="let-downs"):
        recipes_from_frame(frame)
    save_results(found, tmp_path / "a.csv")
    assert pd.read_csv(tmp_path / "a.csv").columns.tolist() == frame.columns.tolist()
    with pytest.raises(sm.ShadematchError, match="different let-downs"):
        results_frame([*found, sm.match("#f4e0e4", pour=sm.Pour(batch_g=100))])
