"""Lights of one's own, against the frozen weights and against colour-science."""

from __future__ import annotations

import json
import pickle
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.colour.standards import observation
from shadematch.keeping.distributions import distribution_of


def of(colour: ModuleType, name: str, *, called: str = "lamp") -> sm.Illuminant:
    found = colour.SDS_ILLUMINANTS[name]
    return sm.Illuminant(called, tuple(found.wavelengths), tuple(found.values * 7.3))


def file_of(lamp: sm.Illuminant, path: Path) -> Path:
    rows = zip(lamp.wavelengths_nm, lamp.power, strict=True)
    path.write_text("nm,power\n" + "".join(f"{x!r},{p!r}\n" for x, p in rows), encoding="utf-8")
    return path


@pytest.mark.parametrize("observer", ["2", "10"])
@pytest.mark.parametrize("name", ["A", "D65", "LED-B3"])
def test_a_standard_light_given_by_its_spectrum(
    colour: ModuleType, name: str, observer: str
) -> None:
    """CIE's tables, as colour-science keeps them, must give the weights of the name."""
    own = observation(of(colour, name), observer)
    assert np.allclose(own.weights, observation(name, observer).weights, rtol=0, atol=1e-9)


def test_an_unknown_light_against_colour_science(colour: ModuleType) -> None:
    """A black body at 3500 K; ASTM E308 by colour-science from the same spectra at 1 nm."""
    shape = colour.SpectralShape(360, 830, 1)
    body = colour.sd_blackbody(3500, shape)
    lamp = sm.Illuminant("3500 K", tuple(body.wavelengths), tuple(body.values))
    seen = sm.predict(
        {"gorse": 2, "dusk": 1}, view=sm.View(illuminant=lamp), pour=sm.Pour(batch_g=100)
    )
    sample = distribution_of(seen).interpolate(colour.SpectralShape(380, 730, 1))
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    xyz = colour.sd_to_XYZ(
        sample.extrapolate(shape), cmfs=cmfs, illuminant=body, method="Integration"
    )
    assert seen.xyz == pytest.approx(xyz, abs=0.03)
    assert "3500 K (own spectrum)" in str(seen.view)


def test_it_goes_wherever_a_name_goes(colour: ModuleType, tmp_path: Path) -> None:
    lamp, twin = of(colour, "A", called="hall"), "A"
    assert lamp == sm.Illuminant("hall", lamp.wavelengths_nm, lamp.power)
    assert lamp != of(colour, "D65", called="hall") and hash(lamp) == hash(pickle_of(lamp))
    pour = sm.Pour(batch_g=200)
    view = sm.View(illuminant=lamp)
    assert sm.View(**view.model_dump()) == view == pickle_of(view)
    lab = (60.0, 20.0, 40.0)
    target = sm.Target.from_lab(lab, illuminant=lamp)
    found = sm.match(target, pour=pour, view=view)
    by_name = sm.match(
        sm.Target.from_lab(lab, illuminant=twin), pour=pour, view=sm.View(illuminant=twin)
    )
    assert found.closest.recipe == by_name.closest.recipe and found.proved
    assert found.delta_e == pytest.approx(by_name.delta_e, abs=1e-9)
    sm.save(found, tmp_path / "a.json")
    again = sm.read(tmp_path / "a.json")
    assert again.view == view and again.target is not None and again.target == target
    several = sm.match("#d9822b", pour=pour, lights=["D65", lamp])
    assert list(several.lights) == ["D65", "hall (own spectrum)"]
    assert several.delta_e == pytest.approx(
        sm.match("#d9822b", pour=pour, lights=["D65", twin]).delta_e, abs=1e-9
    )
    sm.save(several, tmp_path / "b.json")
    assert sm.read(tmp_path / "b.json").match == several
    told = sm.lights(found.recipe, target, lights=["D65", lamp])
    named = sm.lights(found.recipe, target, lights=[twin])[twin]
    assert told[lamp].delta_e == pytest.approx(named.delta_e, abs=1e-9)
    assert "hall (own spectrum)" in str(told) and "hall (own spectrum)" in told._repr_html_()


def pickle_of(thing: object) -> object:
    return pickle.loads(pickle.dumps(thing))


def test_it_crosses_to_other_processes(colour: ModuleType) -> None:
    view = sm.View(illuminant=of(colour, "A"))
    with ProcessPoolExecutor(1) as pool:
        there = list(
            sm.match_many(["#d9822b"], view=view, executor=pool, pour=sm.Pour(batch_g=100))
        )
    assert there[0].delta_e == sm.match("#d9822b", view=view, pour=sm.Pour(batch_g=100)).delta_e


def test_from_a_file_and_from_the_command_line(
    colour: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = file_of(of(colour, "A"), tmp_path / "hall lamp.csv")
    lamp = sm.Illuminant.from_csv(path)
    assert lamp.name == "hall lamp.csv" and max(lamp.power) == 1
    assert sm.Illuminant.from_csv(path, name="hall").name == "hall"
    want = sm.match("#d9822b", view=sm.View(illuminant=lamp), pour=sm.Pour(batch_g=100))
    assert main(["match", "#d9822b", "--batch", "100", "--illuminant", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["delta_e"] == want.delta_e and told["view"]["illuminant"]["name"] == lamp.name
    assert main(["match", "#d9822b", "--lights", "D65", "--lights", str(path)]) == 0
    assert "hall lamp.csv (own spectrum)" in capsys.readouterr().out
    assert main(["lights", "#d9822b", "--poured", "gorse=1", "--lights", str(path), "--json"]) == 0
    entry = json.loads(capsys.readouterr().out)["lights"][0]
    assert entry["illuminant"]["name"] == lamp.name
    assert main(["match", "#d9822b", "--illuminant", "nowhere.csv"]) != 0
    assert "can't be read" in capsys.readouterr().err


GRID = tuple(range(380, 731, 10))


@pytest.mark.parametrize(
    ("name", "x", "power", "problem"),
    [
        ("", GRID, [1.0] * 36, "needs a name"),
        ("lamp", GRID, [1.0] * 35, "one value for each"),
        ("lamp", GRID[::-1], [1.0] * 36, "finite and rise"),
        ("lamp", GRID[::3], [1.0] * 12, "gap of more than 20 nm"),
        ("lamp", GRID[5:], [1.0] * 31, "visible range"),
        ("lamp", GRID, [1.0] * 35 + [-0.1], "negative"),
        ("lamp", GRID, [0.0] * 36, "dark"),
        ("lamp", GRID, [1.0] * 35 + [float("nan")], "finite"),
        ("lamp", "spectrum", [1.0] * 36, "finite"),
        ("lamp", (), (), "finite"),
    ],
)
def test_what_is_no_light(name: str, x: object, power: object, problem: str) -> None:
    with pytest.raises(sm.ColourError, match=problem):
        sm.Illuminant(name, x, power)  # type: ignore[arg-type]


def test_light_without_blue_is_refused_where_it_leaves_no_white() -> None:
    """The 10 degree observer's z is 0 from 560 nm on (CIE 15): CIELAB would divide by it."""
    amber = sm.Illuminant("amber", range(380, 731, 10), [0.0] * 19 + [1.0] * 17)  # type: ignore[arg-type]
    assert np.isfinite(
        sm.predict({"gorse": 1}, view=sm.View(illuminant=amber), pour=sm.Pour(batch_g=100)).lab
    ).all()
    with pytest.raises(sm.ColourError, match=r"illuminant: has light at one end.*amber.*blue"):
        sm.View(illuminant=amber, observer="10")
    seen = sm.View(observer="10")
    with pytest.raises(sm.ColourError, match="amber"):
        sm.match("#d9822b", view=seen, lights=["D65", amber], pour=sm.Pour(batch_g=100))


def test_a_view_refuses_what_is_no_light() -> None:
    for value in (5, None, {"name": "x"}):
        with pytest.raises(sm.PourError, match="illuminant"):
            sm.View(illuminant=value)  # type: ignore[arg-type]
    with pytest.raises(sm.ColourError, match="unknown illuminant"):
        sm.View(illuminant="D66")


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        (["550,1"], "too few wavelengths"),
        ([f"{x},0" for x in range(380, 731, 10)], "dark"),
        ([f"{x},-1" for x in range(380, 731, 10)], "negative"),
        (["400,1", "700,1"], "20 nm"),
        ([], "no measurements"),
    ],
)
def test_a_file_that_is_no_light_is_named(lines: list[str], problem: str, tmp_path: Path) -> None:
    path = tmp_path / "lamp.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(sm.ShadematchError, match=problem) as caught:
        sm.Illuminant.from_csv(path)
    # A message shows the beginning of a long value; the whole is in the error.
    assert caught.value.value == str(path) or str(path) in str(caught.value)
    assert "reflectance" not in str(caught.value)
