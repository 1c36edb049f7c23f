"""From weighed test pours to a sheet, typed: nowhere is a dose in cm."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from tests.invented import worlds
from tests.invented.campaign import campaign
from tests.invented.weighed import speaks_of_cm

Run = Callable[..., tuple[int, str, str]]
NAMES = ("gorse", "jetty")
POUR = ("--batch", "500", "--dose-step", "0.5", "--max-load", "3")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a calibration of weighed pours of an invented world, and its palette."""
    folder = tmp_path_factory.mktemp("weighed")
    truth = worlds.random_world(np.random.default_rng(6), pigments=2, names=NAMES)  # type: ignore[arg-type]
    plan = campaign(NAMES, unit="g", g_per_cm=1.0)
    pours = worlds.measured(truth, plan, np.random.default_rng(7), dosing_cm=0.05)
    found = sm.calibrate(pours, scattering="none")
    sm.save(found, folder / "cal.json")
    sm.save(found.palette, folder / "palette.json")
    (folder / "shelf.csv").write_text(
        "kind,name,full,opened_g,tube_g,price\npaste,gorse,1,20,60,8\npaste,jetty,1,,60,9\n",
        encoding="utf-8",
    )
    (folder / "book.csv").write_text(
        "name,target,recipe_g,bars,pot_g\none,#b09060,,4,500\ntwo,,3 gorse + 1 jetty,4,500\n",
        encoding="utf-8",
    )
    return folder


def texts(told: Any) -> str:
    """All words in what JSON told."""
    if isinstance(told, dict):
        return "\n".join(texts(v) for k, v in told.items() if k != "cautions")
    return "\n".join(map(texts, told)) if isinstance(told, list) else str(told)


def test_the_whole_way(run: Run, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(kept)

    def said(*words: str) -> str:
        status, out, err = run(*words)
        assert (status, err) == (0, "")
        assert not speaks_of_cm(out), words
        return " ".join(out.split())

    def told(*words: str) -> Any:
        status, out, err = run(*words, "--json")
        assert (status, err) == (0, "")
        found = json.loads(out)
        assert not speaks_of_cm(texts(found)), words
        return found

    known = ("--calibration", "cal.json")
    assert " g gorse" in said("match", "#b09060", *POUR, *known, "--save", "order.json")
    found = told("match", "#b09060", *POUR, *known)
    assert found["unit"] == found["closest"]["unit"] == "g"
    assert sm.read("order.json").recipe.unit == "g"
    assert found["doses"] == dict(sm.read("order.json").recipe.doses)
    assert told("match", "#b09060", *POUR, "--palette", "palette.json")["doses"] == found["doses"]
    assert " g gorse" in said("predict", "gorse=2", *known)
    assert told("predict", "gorse=2", *known)["unit"] == "g"
    sheet = said("sheet", "--recipe", "order.json")
    assert "Weigh each paste by itself on the small scale" in sheet
    said("sheet", "--recipe", "order.json", "--save", "order.html")
    page = re.sub(r"<[^>]+>", " ", Path("order.html").read_text().partition("<body>")[2])
    assert not speaks_of_cm(page)
    said("repeat", "order.json")
    assert told("repeat", "order.json")["unit"] == "g"
    said("cost", "--recipe", "order.json", "--shelf", "shelf.csv")
    assert told("cost", "--recipe", "order.json", "--shelf", "shelf.csv")["unit"] == "g"
    plan = ("plan", "book.csv", "shelf.csv", "--palette", "palette.json")
    said(*plan)
    assert told(*plan)["unit"] == "g"
    lab = ("--measured", "60", "8", "24")
    assert " g " in said("correct", "--recipe", "order.json", *lab, "--save", "batch.json")
    assert told("correct", "--recipe", "order.json", *lab, "--anyway")["advice"]["unit"] == "g"
    assert sm.read("batch.json").recipe.unit == "g"
    said("spread", "--recipe", "order.json")
    said("pot", "--recipe", "order.json")
    small = ("let-down", "#f0e6d0", "--batch", "100", "--max-load", "3")
    said(*small, "--palette", "palette.json")
    told(*small, "--palette", "palette.json")
    diluted = ("--let-down", "gorse=1/50", "--palette", "palette.json")
    assert told("match", "#f0e6d0", "--max-load", "3", *diluted)["unit"] == "g"
    said("match", "#f0e6d0", "--max-load", "3", *diluted)
    said("palette", "palette.json")
    assert told("palette", "palette.json")["unit"] == "g"


def test_units_do_not_mix(run: Run, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(kept)
    run("match", "#b09060", *POUR, "--calibration", "cal.json", "--save", "mixed.json")
    sm.save(sm.demo_palette().only("gorse", "jetty"), "cm.json")
    for words in (
        ("repeat", "mixed.json", "--palette", "cm.json"),
        ("sheet", "--recipe", "mixed.json", "--palette", "cm.json"),
        ("cost", "gorse=2", "--shelf", "shelf.csv"),
        ("plan", "book.csv", "shelf.csv"),
    ):
        status, _, err = run(*words)
        assert status == 2 and "is in g, and the palette's doses are in cm" in err, words


def test_a_tube_nobody_measured(run: Run, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(kept)
    status, _, err = run("cost", "gorse=2", "--palette", "palette.json")
    assert status == 2 and "nobody entered how much a full tube holds" in err
