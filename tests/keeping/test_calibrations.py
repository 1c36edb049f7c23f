"""Calibrations in files: whole when they come back, and refused where they were altered."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.keeping.calibrations import _print_of
from tests.invented import worlds
from tests.invented.campaign import campaign


@functools.cache
def soap() -> Calibration:
    names = ("gorse", "jetty")
    truth = worlds.random_world(np.random.default_rng(6), pigments=2, names=names)  # type: ignore[arg-type]
    return sm.calibrate(worlds.measured(truth, campaign(names), np.random.default_rng(7)))


@functools.cache
def by_lab() -> Calibration:
    pours = [sm.TestPour.from_lab(p.doses, p.lab_seen, pour=p.pour) for p in soap().pours]
    return sm.calibrate(pours, scattering="none")


def test_a_calibration_is_kept_whole(tmp_path: Path) -> None:
    found, path = soap(), tmp_path / "learnt.json"
    sm.save(found, path)
    again = sm.read(path)
    assert again == found
    assert again.palette == found.palette
    assert again.residuals == found.residuals
    assert again.poorly_known == found.poorly_known
    np.testing.assert_allclose(again.covariance, found.covariance, rtol=1e-6, atol=1e-12)
    doses, pour = {"gorse": 3.0, "jetty": 1.0}, sm.Pour(batch_g=300, white=0.2)
    assert again.interval(doses, pour=pour) == found.interval(doses, pour=pour)


def test_altered_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "learnt.json"
    sm.save(soap(), path)
    whole = json.loads(path.read_text())
    for change, said in (
        ({"version": 99}, "newer shadematch"),
        ({"format": "shadematch soap"}, "format"),
        ({"weights": [0.5] * len(whole["weights"])}, "altered"),
        ({"slips": "none"}, "slips"),
        ({"contact": "glue"}, "contact"),
        ({"more": 1}, "more: is not known here"),
    ):
        path.write_text(json.dumps({**whole, **change}))
        with pytest.raises(sm.FileError, match=said):
            sm.read(path)
    path.write_text("{")
    with pytest.raises(sm.FileError, match="JSON"):
        sm.read(path)
    with pytest.raises(sm.FileError, match="can't be written"):
        sm.save(soap(), tmp_path / "no" / "learnt.json")


@pytest.mark.parametrize(
    ("where", "value", "said"),
    [
        (("pours", 0, "unit"), "inch", "unit"),
        (("pours", 1, "unit"), "g", r"pours\.1\.unit: is not the unit of the other pours"),
        (("pours", 0, "doses"), {"gorse": -1.0}, r"doses\.gorse"),
        (("pours", 0, "doses"), {"ink": 1.0}, "is not listed"),
        (("pours", 0, "_weights"), [[1.0]], "_weights: is not known here"),
        (("pours", 0, "pour", "batch_g"), -1.0, "batch_g"),
        (("errors", "dose"), -1.0, "errors.dose"),
        (("noise", "share"), 1e308, "noise.share"),
        (("unknowns", 0, "kind"), "soap", "unknowns.kind"),
        (("unknowns", 0, "mean"), [0.0] * 35, "unknowns.0.mean"),
        (("found", 0), [True] * 36, "found.0.0"),
        (("pigments",), ["gorse"], "unknowns.of: is not a pigment"),
        (("weights",), [1.0], "needs one entry for each of"),
        (("slips", 0), [0.0], "slips"),
        (("like",), {}, "like"),
    ],
)
def test_a_file_whose_print_was_mended_is_checked_as_well(
    tmp_path: Path, where: tuple[str | int, ...], value: object, said: str
) -> None:
    path = tmp_path / "learnt.json"
    sm.save(soap(), path)
    content = json.loads(path.read_text())
    inner = content
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = value
    bare = {n: v for n, v in content.items() if n not in ("format", "version")}
    content["fingerprint"] = _print_of(bare)
    path.write_text(json.dumps(content))
    with pytest.raises(sm.FileError, match=said):
        sm.read(path)


def test_a_reading_that_no_surface_gives_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "learnt.json"
    sm.save(by_lab(), path)
    assert sm.read(path) == by_lab()
    content = json.loads(path.read_text())
    content["pours"][0]["lab"] = [150.0, 0.0, 0.0]
    bare = {n: v for n, v in content.items() if n not in ("format", "version")}
    path.write_text(json.dumps({**content, "fingerprint": _print_of(bare)}))
    with pytest.raises(sm.FileError, match=r"pours\.0\.lab: no surface can have this colour"):
        sm.read(path)
