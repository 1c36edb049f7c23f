"""Films and paints measured elsewhere, and calibrations kept in files."""

from __future__ import annotations

import dataclasses
import functools
import json
import re
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.faces import at_faces
from shadematch.calibration.forward import Errors, layers_of, look, look_through
from shadematch.calibration.result import Calibration
from shadematch.calibration.spectra import unknown
from shadematch.calibration.test_pour import _with_edges
from shadematch.cli.main import main
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.optics.transport import slab
from tests.invented import doubling, films, worlds
from tests.invented.campaign import campaign

ROOT = Path(__file__).parents[2]


def pours_of(made: films.Films, loads: list[films.Loads], seed: int) -> list[sm.TestPour]:
    rng = np.random.default_rng(seed)
    return [
        sm.TestPour.from_spectrum(
            load,
            films.GRID,
            read,
            name=f"film {at}",
            view=made.view(backing),
            unit="part",
            pour=sm.Pour(batch_g=100),
        )
        for at, load in enumerate(loads)
        for backing, read in made.readings(load, rng).items()
    ]


def some(kind: str, seed: int, *names: str) -> films.Films:
    """A set of fewer colourants."""
    made = films.films(kind, np.random.default_rng(seed))
    return dataclasses.replace(
        made,
        absorption={n: made.absorption[n] for n in names},
        scattering={n: made.scattering[n] for n in names},
    )


def far_of(found: Calibration, made: films.Films, count: int, seed: int = 9) -> np.ndarray:
    """CIEDE2000 of mixtures that were not measured."""
    far = []
    for loads in made.held_out(np.random.default_rng(seed), count):
        for backing in made.backings:
            seen = found.interval(loads, view=made.view(backing))
            exact = worlds.lab_of(made.spectrum(loads, backing))
            far.append(float(delta_e(np.array(seen.lab), exact)))
    return np.array(far)


@functools.cache
def paints() -> tuple[films.Films, Calibration]:
    made = some("hiding", 3, "gorse", "dusk", "jetty", "chalk")
    return made, sm.calibrate(pours_of(made, made.learnt(), 2))


@functools.cache
def dyes() -> tuple[films.Films, Calibration]:
    made = some("solution", 4, "gorse", "kelp", "jetty")
    return made, sm.calibrate(pours_of(made, made.learnt(), 2))


@functools.cache
def crowded() -> tuple[films.Films, Calibration]:
    made = films.films("crowded", np.random.default_rng(1))
    return made, sm.calibrate(pours_of(made, made.learnt(), 2))


# --- optics of faces and backings


def test_slopes_of_faces_are_those_of_finite_differences() -> None:
    unknowns = (
        unknown("a", "pigment absorption"),
        unknown("a", "pigment scattering"),
        unknown("[0.5]/optical", "film backing", level=0.0),
        unknown("white/optical", "film backing", level=2.2),
        unknown("surface", "film offset"),
        unknown("surface", "film surface"),
        unknown("surface", "film glass"),
        unknown("a", "film crowding", level=2.0),
    )
    views = (sm.View(backing=0.3, contact="wet"), sm.View(through=True))
    errors = Errors()
    layers = layers_of(
        [({"a": 1.0}, sm.Pour(batch_g=100), v) for v in views], unknowns, ("a",), errors
    )
    rng = np.random.default_rng(1)
    theta = np.array([u.mean for u in unknowns]) + 0.2 * rng.standard_normal((8, NM.size))
    seen = look(theta, unknowns, ("a",), layers, errors)
    for k in range(len(unknowns)):
        up, down = theta.copy(), theta.copy()
        up[k] += 1e-5
        down[k] -= 1e-5
        high, low = (look(t, unknowns, ("a",), layers, errors).spectrum for t in (up, down))
        np.testing.assert_allclose(seen.by_unknown[:, k], (high - low) / 2e-5, atol=2e-8)
    for c in range(5):  # slips of dose, thickness, base, gain and tilt
        slips = np.zeros((2, 5))
        slips[:, c] = 1e-5
        high, low = (
            look(theta, unknowns, pigments=("a",), layers=layers, errors=errors, slips=s).spectrum
            for s in (slips, -slips)
        )
        np.testing.assert_allclose(seen.by_error[:, c], (high - low) / 2e-5, atol=2e-8)
    for at, view in enumerate(views):
        one = layers_of([({"a": 1.0}, sm.Pour(batch_g=100), view)], unknowns, ("a",), errors)
        many = look_through(theta[None], unknowns, ("a",), one)
        np.testing.assert_allclose(many[0], seen.spectrum[at], rtol=1e-12)


def test_doubling_agrees_with_discrete_ordinates() -> None:
    # Two solvers that share no line: `tests.invented.doubling` at 8 degrees, `slab` straight on.
    rng = np.random.default_rng(1)
    a, s = 10 ** rng.uniform(-2, 1, 8), 10 ** rng.uniform(-1, 2.5, 8)
    g, backing = np.full(8, 0.6), np.full(8, 0.3)
    solved = slab(a, s, np.array(1.0), n=1.5, g=0.6, half=20)
    through = solved.D1 * solved.Cu * backing / (1 - backing * solved.Du)
    seen = doubling.film(a, s / (1 - g), g, 1.0, backing, n=1.5, geometry="d/8")
    np.testing.assert_allclose(seen, solved.C1 - 0.04 + through, atol=1e-3)


def test_one_more_surface_is_saunderson() -> None:
    # J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727: R = k1 + (1-k1)(1-k2) r / (1-k2 r), here
    # with 4 % outside and 60 % inside, gloss left out.
    r = np.linspace(0.0, 1.0, 41)
    shift = np.full(r.size, np.log(1 / 0.4))
    changed = at_faces(r, shift, "surface")[0]
    np.testing.assert_allclose(changed, 0.96 * 0.4 * r / (1 - 0.6 * r), rtol=1e-12)
    back = at_faces(changed, -shift, "surface")[0]
    np.testing.assert_allclose(back[:30], r[:30], atol=0.03)  # next to its inverse


# --- paints that hide their backing


def test_opaque_paints_predict_mixtures() -> None:
    made, found = paints()
    assert found.films
    assert found.wrong == ()
    assert set(found.scattering) >= {"gorse", "dusk", "chalk"}
    far = far_of(found, made, 40)
    assert far.mean() <= 0.5
    assert np.quantile(far, 0.95) <= 1.0
    assert any("scale of all is arbitrary" in text for text in found.poorly_known)
    assert not any("arbitrary" in text for text in dyes()[1].poorly_known)
    # ... so that ten times the loads show the same.
    mixture = {"gorse": 0.3, "chalk": 0.7}
    tenfold = {n: 10 * x for n, x in mixture.items()}
    np.testing.assert_allclose(found.interval(mixture).lab, found.interval(tenfold).lab, atol=0.02)


def test_a_white_that_crowds() -> None:
    # White pigments scatter less where they lie close: by 30 % here, when alone. A model in which
    # everything adds up comes to 0.8, with all predictions too dark.
    made, found = crowded()
    assert found.crowding is not None
    name, less = found.crowding
    assert name == "chalk"
    assert 0.1 < less < 0.5
    assert "chalk: scatters" in str(found)
    far = far_of(found, made, 40)
    assert far.mean() <= 0.55
    # ... and where nothing crowds, that is found too.
    assert paints()[1].crowding is None
    # A palette has no word for it: it holds the scattering of the usual load.
    palette = dataclasses.replace(found, unit="g").palette
    ratio = np.array(palette["chalk"].scattering) / found.spectrum("chalk", "scattering")[0]
    assert np.all((ratio > 1.0 - less) & (ratio < 1.0))


def test_crowding_is_kept_in_files(tmp_path: Path) -> None:
    _, found = crowded()
    sm.save(found, tmp_path / "paints.json")
    again = sm.read(tmp_path / "paints.json")
    assert again.crowding == found.crowding
    mixture = {"gorse": 0.2, "chalk": 0.8}
    assert again.interval(mixture) == found.interval(mixture)


def test_masstones_alone_are_refused() -> None:
    made = some("hiding", 3, "gorse", "dusk", "chalk")
    with pytest.raises(sm.PourError, match="Measure it mixed with another"):
        sm.calibrate(pours_of(made, [{n: 1.0} for n in made.names], 2))


def test_a_colourant_may_be_called_white_or_clear() -> None:
    # Of films there is no base: a colourant of that name is none.
    made = some("hiding", 3, "gorse", "dusk", "chalk")
    called = {"gorse": "gorse", "dusk": "clear", "chalk": "white"}
    pours = pours_of(made, made.learnt(), 2)
    renamed = [
        dataclasses.replace(p, doses={called[n]: d for n, d in p.doses.items()}) for p in pours
    ]
    plain, found = sm.calibrate(pours), sm.calibrate(renamed)
    assert not found.white_known
    np.testing.assert_allclose(found.spectrum("white")[0], plain.spectrum("chalk")[0], rtol=1e-9)
    with pytest.raises(sm.PaletteError, match="unit: has doses in parts"):
        found.palette  # noqa: B018
    with pytest.raises(sm.PourError, match="the calibration's doses are in parts"):
        found.interval(sm.Recipe({"gorse": 0.1}, sm.Pour(batch_g=100), unit="g"))
    weighed, beside = (dataclasses.replace(c, unit="g").palette for c in (found, plain))
    assert max(weighed.clear.absorption) == 0.0
    assert weighed.white == weighed.clear
    assert not any("white base" in text for text in found.poorly_known)
    mixture = {"gorse": 0.1, "clear": 0.1, "white": 0.8}
    np.testing.assert_allclose(
        sm.predict(mixture, palette=weighed, pour=sm.Pour(batch_g=100)).lab,
        sm.predict(
            {"gorse": 0.1, "dusk": 0.1, "chalk": 0.8}, palette=beside, pour=sm.Pour(batch_g=100)
        ).lab,
    )


# --- dyes, in any unit


def test_dyes_against_their_solvent() -> None:
    made, found = dyes()
    assert found.scattering == ()
    assert far_of(found, made, 30).mean() <= 0.25


def test_units_do_not_matter() -> None:
    _, found = dyes()
    small = [
        dataclasses.replace(p, doses={n: 1e-7 * d for n, d in p.doses.items()}) for p in found.pours
    ]
    again = sm.calibrate(small)
    np.testing.assert_allclose(
        found.interval(
            {"gorse": 9e3, "kelp": 2e4}, view=sm.View(through=True), pour=sm.Pour(batch_g=100)
        ).lab,
        again.interval(
            {"gorse": 9e-4, "kelp": 2e-3}, view=sm.View(through=True), pour=sm.Pour(batch_g=100)
        ).lab,
        atol=0.01,
    )


# --- films on cards, from files


def test_films_on_cards_and_on_one_that_was_not_measured(tmp_path: Path) -> None:
    made = some("draw-down", 5, "rosehip", "chalk")
    learnt = [{n: x * 0.02} for n in made.names for x in (0.5, 1.5)]
    learnt.append({"rosehip": 0.01, "chalk": 0.01})
    path, cards = made.write(tmp_path, learnt, np.random.default_rng(3))
    with pytest.raises(sm.PourError, match=r"line 2: backing must be .* the name .*white card"):
        sm.read_test_pours(path, reflectance_unit="percent", pour=sm.Pour(batch_g=100))
    pours = sm.read_test_pours(
        path, backings=cards, reflectance_unit="percent", pour=sm.Pour(batch_g=100)
    )
    found = sm.calibrate(pours)
    assert found.contact == "wet"
    loads = {"rosehip": 0.008, "chalk": 0.004}
    grey = np.full(NM.size, 0.3)
    films.CARDS["grey card"] = grey
    try:
        exact = worlds.lab_of(made.spectrum(loads, "grey card"))
    finally:
        del films.CARDS["grey card"]
    seen = found.interval(loads, view=sm.View(backing=tuple(grey)))
    assert float(delta_e(np.array(seen.lab), exact)) <= 1.5
    assert found.view(sm.View(backing=tuple(grey))).backing_reflectance.mean() > 0.35  # inside


def test_backings_are_refused_with_the_line(tmp_path: Path) -> None:
    readings = tmp_path / "films.csv"
    nm = ",".join(f"{x:g}" for x in films.GRID)
    values = ",".join(["0.5"] * films.GRID.size)
    readings.write_text(f"part:a,backing,{nm}\n1,card,{values}\n")
    cards = tmp_path / "cards.csv"
    for text, said in (
        (f"name,{nm}\n,{values}\n", "line 2: has no name"),
        (f"name,{nm}\ncard,{values}\ncard,{values}\n", "line 3: this name appears twice"),
        ("name,L,a,b\ncard,50,0,0\n", "line 2: no spectrum"),
    ):
        cards.write_text(text)
        with pytest.raises(sm.PourError, match=said):
            sm.read_test_pours(readings, backings=cards, pour=sm.Pour(batch_g=100))
    read = sm.read_test_pours(
        readings, backings={"card": [0.4] * NM.size}, pour=sm.Pour(batch_g=100)
    )
    assert read[0].view.backing_reflectance[0] == pytest.approx(0.4)


# --- the page


def test_the_page_runs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = (ROOT / "docs" / "films.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    (tmp_path / "data").mkdir()
    paints_csv = (ROOT / "data" / "paints.csv").read_bytes()
    (tmp_path / "data" / "paints.csv").write_bytes(paints_csv)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(block, names)
    found = names["paints"]
    assert isinstance(found, Calibration)
    again = sm.read(tmp_path / "paints.json")
    assert again.interval(
        {"gorse": 0.2, "chalk": 0.8}, pour=sm.Pour(batch_g=100)
    ) == found.interval({"gorse": 0.2, "chalk": 0.8}, pour=sm.Pour(batch_g=100))


# --- on the command line, by mass


@functools.cache
def soap() -> Calibration:
    names = ("gorse", "jetty")
    truth = worlds.random_world(np.random.default_rng(6), pigments=2, names=names)  # type: ignore[arg-type]
    return sm.calibrate(worlds.measured(truth, campaign(names), np.random.default_rng(7)))


def test_the_command_line_uses_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "learnt.json"
    sm.save(soap(), path)
    known = ["--calibration", str(path)]
    assert main(["match", "#b09060", "--batch", "500", *known, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    match = soap().match("#b09060", pour=sm.Pour(batch_g=500))
    assert "range" not in told  # the match says its own, from the palette
    assert told["closest"]["delta_e"] == pytest.approx(match.closest.delta_e, abs=0.05)
    assert main(["predict", "gorse=2", *known]) == 0
    assert "range" in capsys.readouterr().out
    grams = [dataclasses.replace(p, unit="g") for p in soap().pours]
    sm.save(sm.calibrate(grams, scattering="none", dose_error=0.2), path, replace=True)
    assert main(["match", "#b09060", "--batch", "500", "--dose-step", "0.5", *known]) == 0
    out = capsys.readouterr().out
    assert " g jetty" in out and " cm jetty" not in out
    assert main(["match", "#b09060", *known, "--palette", "other.json"]) != 0
    assert "has its own palette" in capsys.readouterr().err


# --- by mass, and by photo


def test_by_mass_from_pours_to_a_match() -> None:
    # 1.3 g of paste a centimetre, weighed to 0.1 g; what is matched is in grams as well.
    grams = [
        dataclasses.replace(p, doses={n: round(1.3 * d, 1) for n, d in p.doses.items()}, unit="g")
        for p in soap().pours
    ]
    found = sm.calibrate(grams, scattering="none", dose_error=0.26)
    assert "doses in g" in found.palette.note
    pour = sm.Pour(batch_g=500, dose_step=0.1, max_load=5.2)
    by_cm = soap().match("#b09060", pour=sm.Pour(batch_g=500, dose_step=0.1))
    by_g = found.match("#b09060", pour=pour)
    assert by_g.delta_e == pytest.approx(by_cm.delta_e, abs=0.7)
    same = {n: 1.3 * d for n, d in by_cm.recipe.doses.items()}
    lab = np.array(found.interval(same, pour=sm.Pour(batch_g=500)).lab)
    assert float(delta_e(lab, np.array(soap().interval(by_cm.recipe).lab))) <= 0.3
    assert (by_g.recipe.unit, by_cm.recipe.unit) == ("g", "cm")
    with pytest.raises(sm.PourError, match="doses: is in cm, and the palette's doses are in g"):
        found.interval(by_cm.recipe)
    assert all(d * 10 == pytest.approx(round(d * 10)) for d in by_g.recipe.doses.values())


def test_photos_are_trusted_less_where_a_channel_ends() -> None:
    small = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    plain = _with_edges(sm.Target.from_hex("#a08070"), small)
    assert plain == small
    yellow = np.array(_with_edges(sm.Target.from_hex("#f0c800"), small))
    assert np.sqrt(yellow[2, 2]) > 15  # blue is empty: b* may be far higher
    assert np.sqrt(yellow[0, 0]) < 2  # ... and L* hardly is
