"""Surfaces of known colour: several neutrals, bars of one's own, what is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import shadematch as sm
from shadematch.cli.main import main
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import Model
from tests.invented import photos as ph
from tests.invented.problems import by_adding_doubling

EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9
SOAP = (0.70, 0.15, 0.95, 0.60)


def save(place: Path, encoded: Any) -> Path:
    Image.fromarray(np.rint(255 * np.clip(encoded, 0, 1)).astype(np.uint8)).save(place)
    return place


def patch(number: int) -> sm.Region:
    """A part of a patch of the chart in rendered photos."""
    column, row = number % 6, number // 6
    x, y = 0.10 + 0.1 * column, 0.12 + 0.16 * row
    return sm.Region.box(x - 0.025, y - 0.04, x + 0.025, y + 0.04)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    rng = np.random.default_rng(12)
    return ph.shoot(tmp_path / "p.jpg", ph.cie_samples()[30], "D65", ph.cameras()[0], rng)


def chart_lab(number: int) -> Any:
    return ph.true_lab(ph.chart_spectra()[number])


def test_white_and_grey_tell_more_of_lightness_than_white(place: Path) -> None:
    white = sm.Neutral(patch(18), reflectance=0.9)
    grey = sm.Neutral(patch(21), reflectance=0.19)
    one = sm.read_photo(place, region=SOAP, neutral=white).target
    two = sm.read_photo(place, region=SOAP, neutral=[white, grey])
    assert one.covariance is not None and two.target.covariance is not None
    assert two.target.covariance[0][0] < one.covariance[0][0]
    assert "of 0.9 and a neutral of 0.19" in two.method
    # In which order they are given does not matter.
    again = sm.read_photo(place, region=SOAP, neutral=[grey, white]).target
    np.testing.assert_allclose(again.lab, two.target.lab, atol=0.01)


def test_bars_of_known_colour(place: Path) -> None:
    """The more, and the more like the colour asked for, the surer."""
    wanted = chart_lab(14)  # red
    known: dict[Any, Any] = {patch(i): tuple(chart_lab(i)) for i in (7, 12, 18, 21)}
    without = sm.read_photo(place, region=patch(14))
    some = sm.read_photo(place, region=patch(14), reference=known)
    legends = [legend for ax in some.show().axes if (legend := ax.get_legend()) is not None]
    assert "reference" in {text.get_text() for each in legends for text in each.get_texts()}
    near = sm.read_photo(place, region=patch(14), reference=known | {patch(8): tuple(chart_lab(8))})
    assert some.correction == "reference"
    assert near.target.radius < some.target.radius < without.target.radius
    for found in (some, near):
        error = np.array(found.target.lab) - wanted
        assert error @ np.linalg.solve(np.array(found.target.covariance), error) <= EDGE
    # What is known itself comes out as known.
    same = sm.read_photo(place, region=patch(7), reference=known)
    assert float(delta_e(np.array(same.target.lab), chart_lab(7))) < 1.5


def test_what_a_reference_may_be(place: Path) -> None:
    made = sm.predict({"gorse": 2}, pour=sm.Pour(batch_g=500, white=0.5))
    for colour in (
        (60.0, 10.0, 40.0),
        np.array([60.0, 10.0, 40.0]).tolist(),
        "#d9822b",
        sm.Target.from_lab((60, 10, 40), illuminant="D50"),
        made,
        sm.read(_saved(made, place.parent)),
    ):
        found = sm.read_photo(place, region=SOAP, reference={patch(7): colour})
        assert found.correction == "reference"
    for wrong in (None, 3.0, "nonsense", (1.0, 2.0), {"gorse": 2}):
        with pytest.raises(sm.PhotoError, match="not a known colour") as error:
            sm.read_photo(place, region=SOAP, reference={patch(7): wrong})
        assert error.value.remedy
    with pytest.raises(sm.PhotoError, match="colour of each region"):
        sm.read_photo(place, region=SOAP, reference=[1])  # type: ignore[arg-type]


def _saved(made: sm.Prediction, folder: Path) -> Path:
    sm.save(made, folder / "made.json")
    return folder / "made.json"


# ---- what is told ----


def minds(place: Path, **options: Any) -> str:
    return " ".join(sm.read_photo(place, **options).warnings)


def test_a_brown_table_is_no_neutral(place: Path) -> None:
    picture = np.array(Image.open(place)) / 255.0
    picture[300:350, 300:470] = (0.42, 0.30, 0.20)
    table = save(place.parent / "t.png", picture)
    brown = sm.read_photo(table, region=SOAP, neutral=(310, 305, 460, 345))
    paper = sm.read_photo(table, region=SOAP, neutral=ph.PAPER)
    assert "isn't white or grey itself" in " ".join(brown.warnings)
    assert "is it white paper" in " ".join(brown.warnings)
    assert brown.target.radius > 1.5 * paper.target.radius
    error = np.array(brown.target.lab) - ph.true_lab(ph.cie_samples()[30])
    assert error @ np.linalg.solve(np.array(brown.target.covariance), error) <= EDGE


def test_two_colours_and_a_sheen(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    bar = np.full((120, 120, 3), (0.75, 0.35, 0.25)) + 0.01 * rng.normal(size=(120, 120, 3))
    plain = save(tmp_path / "plain.png", bar)
    assert "two colours" not in minds(plain, region=(0, 0, 120, 120))
    assert "sheen" not in minds(plain, region=(0, 0, 120, 120))
    two = bar.copy()
    two[:50] += (0.15, 0.30, 0.30)
    assert "two colours" in minds(save(tmp_path / "two.png", two), region=(0, 0, 120, 120))
    # White light more and more from above, added in linear light.
    shiny = (bar**2.2 + np.linspace(0, 0.12, 120)[:, None, None]) ** (1 / 2.2)
    assert "sheen" in minds(save(tmp_path / "shiny.png", shiny), region=(0, 0, 120, 120))
    sloped = bar * np.linspace(0.8, 1.2, 120)[:, None, None]
    assert "sheen" not in minds(save(tmp_path / "sloped.png", sloped), region=(0, 0, 120, 120))


def test_a_drawn_swatch_is_told_to_be_exact(tmp_path: Path) -> None:
    swatch = save(tmp_path / "s.png", np.full((60, 60, 3), (0.8, 0.4, 0.2)))
    assert "'#cc6633' itself" in minds(swatch, region=(0, 0, 60, 60))
    red = save(tmp_path / "r.png", np.full((60, 60, 3), (1.0, 0.0, 0.0)))
    with pytest.raises(sm.PhotoError, match="'#ff0000' itself"):
        sm.read_photo(red, region=(0, 0, 60, 60))


def test_paper_of_which_a_little_clips_serves(place: Path) -> None:
    picture = np.array(Image.open(place)) / 255.0
    y, x = (round(v * s) for v, s in zip(ph.PAPER[1::-1], (360, 480), strict=True))
    picture[y : y + 6, x : x + 60] = 1.0
    spotted = save(place.parent / "s.png", picture)
    with_ = sm.read_photo(spotted, region=SOAP, neutral=ph.PAPER).target
    without = sm.read_photo(place, region=SOAP, neutral=ph.PAPER).target
    assert float(delta_e(np.array(with_.lab), np.array(without.lab))) < 0.5


def test_two_lights_make_a_chart_fit_badly(place: Path) -> None:
    picture = np.array(Image.open(place)) / 255.0
    glow = np.exp(-(((np.arange(480) - 60) / 90.0) ** 2))[None, :, None]
    lamp = save(place.parent / "l.png", picture * (1 - glow * np.array([0.0, 0.15, 0.45])))
    one = sm.read_photo(place, region=SOAP, chart=ph.CHART)
    two = sm.read_photo(lamp, region=SOAP, chart=ph.CHART)
    assert "two lights" not in " ".join(one.warnings)
    assert "two lights" in " ".join(two.warnings)
    assert two.target.radius > one.target.radius


@pytest.mark.parametrize("lost", [2, 40, 4000])
def test_a_jpeg_cut_off_near_its_end_is_refused(place: Path, lost: int) -> None:
    cut = place.parent / "cut.jpg"
    cut.write_bytes(place.read_bytes()[:-lost])
    with pytest.raises(sm.PhotoError, match=r"cut off|damaged"):
        sm.read_photo(cut, region=SOAP)
    # What a phone appends is no harm.
    cut.write_bytes(place.read_bytes() + b"\x00ftypmp42" * 9)
    assert sm.read_photo(cut, region=SOAP).pixels > 1000


@pytest.mark.parametrize(
    ("option", "given", "problem"),
    [
        ("--region", "2", "wrong count of numbers"),
        ("--neutral", "2", "wrong count of numbers"),
        ("--neutral", "paper", "must say where"),
        ("--neutral", "circle 0.5,0.5", "wrong count of numbers"),
        ("--neutral", "0.6,0.1,0.9,0.5", "overlaps the region"),
        ("--neutral", "10,10,9999,20", "lies outside the photo"),
    ],
)
def test_regions_on_the_command_line_are_blamed_by_their_option(
    option: str, given: str, problem: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In words of the command line, which knows no calls of Python."""
    region = given if option == "--region" else ",".join(map(str, ph.SAMPLE))
    options = ["--region", region] + (["--neutral", given] if option == "--neutral" else [])
    assert main(["match", "--photo", str(place), *options, "--batch", "500"]) == 2
    told = capsys.readouterr().err
    assert f"error: {option}: " in told and problem in told
    assert "Region" not in told and "(2.0" not in told


def test_steep_bands_come_nearer_where_the_pastes_are_known(tmp_path: Path) -> None:
    """Soaps of the demo palette, their layers by another solver (iadpython), cameras invented."""
    palette = sm.demo_palette()
    rng = np.random.default_rng(55)
    off: dict[bool, list[float]] = {False: [], True: []}
    held = 0
    for number in range(12):
        names = rng.choice(palette.names, 2, replace=False)
        model = Model(palette, 1.0, 0.25, sm.View())
        loads = np.array([rng.uniform(0.2, 1.0) if n in names else 0.0 for n in palette.names])
        spectrum = [
            by_adding_doubling(a, s, 1.0, 0.9)
            for a, s in zip(model.absorbed(loads), model.base_scattering, strict=True)
        ]
        fine = np.clip(np.interp(ph.NM, np.arange(380, 731, 10), spectrum), 0.0, 1.0)
        photo = ph.shoot(tmp_path / f"{number}.jpg", fine, "D65", ph.invented_camera(rng), rng)
        true = ph.true_lab(fine)
        for given in (None, palette):
            found = sm.read_photo(photo, region=SOAP, chart=ph.CHART, palette=given).target
            off[given is not None].append(float(delta_e(np.array(found.lab), true)))
        error = np.array(found.lab) - true
        held += float(error @ np.linalg.solve(np.array(found.covariance), error)) <= EDGE
    assert np.mean(off[True]) < np.mean(off[False])
    assert held >= 10


def test_what_pastes_are_given_with(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    palette = sm.demo_palette()
    told = sm.read_photo(place, region=SOAP, neutral=patch(18), palette=palette).warnings
    assert any("Without a 24-patch chart" in text for text in told)
    one = palette.only(palette.names[0])
    far = sm.read_photo(place, region=patch(14), chart=ph.CHART, palette=one)
    plain = sm.read_photo(place, region=patch(14), chart=ph.CHART)
    assert far.target.lab == plain.target.lab
    assert any("No bar of the given pastes" in text for text in far.warnings)
    with pytest.raises(sm.PhotoError, match="palette: is of the wrong kind"):
        sm.read_photo(place, region=SOAP, palette="gorse")  # type: ignore[arg-type]
    options = ["--region", ",".join(map(str, SOAP)), "--chart", "find", "--of-palette"]
    assert main(["match", "--photo", str(place), *options, "--batch", "500"]) == 0
    capsys.readouterr()
    assert main(["match", "d9822b", "--of-palette", "--batch", "500"]) == 2
    assert "--of-palette: has no meaning with HEX" in capsys.readouterr().err
