"""Targets into tables and out of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import shadematch as sm
from shadematch.keeping.results import results_frame
from shadematch.keeping.target_tables import targets_frame, targets_from_frame

CODES = ["#d9822b", "#335577", "#88aa44", "#101010", "#f0e0c0"]
POUR = sm.Pour(batch_g=200)


def test_targets_from_tables() -> None:
    codes = targets_from_frame(pd.DataFrame({"hex": CODES}))
    assert [t.hex for t in codes] == CODES
    lab = pd.DataFrame([t.lab for t in codes], columns=["L", "a", "b"])
    assert [t.lab for t in targets_from_frame(lab)] == [t.lab for t in codes]
    frame = results_frame(sm.match_many(codes[:2], pour=POUR))
    assert targets_from_frame(frame.rename(columns={"target_hex": "hex"}))[0].hex == CODES[0]
    with pytest.raises(sm.ColourError, match="row 2"):
        targets_from_frame(pd.DataFrame({"hex": ["#fff", "nonsense"]}))
    with pytest.raises(sm.ColourError, match="has no colours"):
        targets_from_frame(pd.DataFrame({"colour": ["#fff"]}))


def test_columns_may_be_written_otherwise() -> None:
    targets = some_targets()
    frame = targets_frame(targets)
    for write in (str.upper, str.lower, lambda name: f"  {name.title()} "):
        assert targets_from_frame(frame.rename(columns=write)) == targets
    short = {f"{nm} nm": f"R{nm}" for nm in range(380, 731, 10)}
    assert targets_from_frame(frame.rename(columns=short)) == targets
    # CIE 15: small letters are chromaticities. They don't count beside X, Y, Z, nor without.
    both = pd.DataFrame({"x": [0.3127], "y": [0.329], "X": [19.0], "Y": [20.0], "Z": [21.0]})
    assert targets_from_frame(both)[0].lab == sm.Target.from_xyz((19, 20, 21)).lab
    small = pd.DataFrame({"x": [0.3127], "y": [0.329], "z": [0.3583]})
    with pytest.raises(sm.ColourError, match=r"row 1, xyz: add up to 1.*Give X, Y, Z"):
        targets_from_frame(small)
    for twice in (["HEX", "Hex"], ["hex", "hex"]):
        with pytest.raises(sm.ColourError, match=r"frame: several columns .*Keep one"):
            targets_from_frame(pd.DataFrame([CODES[:2]], columns=twice))
    assert targets_from_frame(pd.DataFrame([CODES[:2]], columns=["HEX", "hex"]))[0].hex == CODES[1]


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
    frame = targets_frame(targets)
    if way == "csv":
        frame.to_csv(tmp_path / "a.csv", index=False)
        frame = pd.read_csv(tmp_path / "a.csv")
    if way == "parquet":
        frame.to_parquet(tmp_path / "a.parquet")
        frame = pd.read_parquet(tmp_path / "a.parquet")
    back = targets_from_frame(frame)
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
    assert targets_from_frame(targets_frame(targets[:3])) == targets[:3]
    assert targets_frame([]).empty


def test_spectra_at_their_own_wavelengths() -> None:
    frame = pd.DataFrame(
        [[0.2 + nm / 4000 for nm in range(400, 701, 20)]], columns=range(400, 701, 20)
    )
    frame["hex"] = "#ffffff"  # the spectrum says more
    target = targets_from_frame(frame)[0]
    assert target.reflectance is not None and target.reflectance[12] == pytest.approx(0.325)


def test_rows_and_targets_that_a_table_cannot_hold() -> None:
    gaps = pd.DataFrame({"hex": ["#fff", None]})
    with pytest.raises(sm.ColourError, match="row 2, target: has no colour"):
        targets_from_frame(gaps)
    lamp = sm.Illuminant("hall", tuple(range(380, 731, 10)), (1.0,) * 36)
    with pytest.raises(sm.ColourError, match="Use save"):
        targets_frame([sm.Target.from_lab((50, 0, 0), illuminant=lamp)])
    with pytest.raises(sm.PourError, match="targets"):
        targets_frame(["#fff"])  # type: ignore[list-item]
