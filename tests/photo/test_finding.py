"""A chart is found in rendered photos, however it lies, and nothing else is taken for one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter
from skimage.transform import ProjectiveTransform, warp

import shadematch as sm
from shadematch.cli.main import main
from shadematch.colour.difference import delta_e
from shadematch.photo.chart import is_camera
from shadematch.photo.profile import SRGB
from tests.invented import chart_pictures, photos as ph

SIZE = chart_pictures.SIZE
CORNERS = np.array(ph.CHART) * SIZE


def scene(light: str = "D65", seed: int = 5, *, chart: bool = True, sample: int = 30) -> Any:
    """A photo with chart, paper and soap, 0 to 1."""
    rng = np.random.default_rng(seed)
    return chart_pictures.photo_of(sample, light, seed, rng, chart=chart)


def save(place: Path, picture: Any) -> Path:
    place.write_bytes(ph.jpeg(picture, 92))
    return place


def seen_from(picture: Any, corners: Any) -> tuple[Any, Any]:
    """The photo with its own corners moved there, and what takes points along."""
    wide, high = SIZE
    own = np.array([(0, 0), (wide, 0), (wide, high), (0, high)], dtype=float)
    to = ProjectiveTransform.from_estimate(own, np.array(corners, dtype=float))
    size = np.array(corners).max(axis=0).astype(int)
    turned = warp(picture, to.inverse, output_shape=(size[1] + 1, size[0] + 1), order=1, cval=0.3)
    return turned, to


def off(found: sm.Chart, wanted: Any) -> float:
    """Largest distance of a corner, in distances between patches there (shorter side).

    A patch reaches to 0.42, and is read to 0.25: up to 0.17 nothing else is read with it.
    """
    wanted = np.array(wanted)
    across = np.hypot(*(np.roll(wanted, -1, axis=0) - wanted).T) / (5, 3, 5, 3)
    pitch = np.minimum(across, np.roll(across, 1))
    return float((np.hypot(*(np.array(found.corners) - wanted).T) / pitch).max())


@pytest.mark.parametrize("light", ["D65", "A", "FL11"])
def test_straight(light: str, tmp_path: Path) -> None:
    found = sm.find_chart(save(tmp_path / "p.jpg", scene(light)))
    assert off(found, CORNERS) < 0.05
    assert found.left_out == ()


@pytest.mark.parametrize("degrees", [17, 90, 158, 270])
def test_turned(degrees: int, tmp_path: Path) -> None:
    turn = np.deg2rad(degrees)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ends = np.array([(0, 0), (640, 0), (640, 480), (0, 480)]) @ matrix.T
    picture, to = seen_from(scene(), ends - ends.min(axis=0))
    found = sm.find_chart(save(tmp_path / "p.jpg", picture))
    assert off(found, to(CORNERS)) < 0.08


@pytest.mark.parametrize(
    "ends",
    [
        ((120, 60), (560, 0), (640, 420), (0, 480)),
        ((0, 0), (600, 130), (640, 380), (40, 520)),
        ((200, 40), (470, 40), (640, 400), (0, 400)),
    ],
)
def test_tilted(ends: Any, tmp_path: Path) -> None:
    picture, to = seen_from(scene("LED-B5"), ends)
    found = sm.find_chart(save(tmp_path / "p.jpg", picture))
    assert off(found, to(CORNERS)) < 0.08


def test_a_large_photo_is_searched_without_a_shift(tmp_path: Path) -> None:
    """Every fourth pixel is looked at: upside down, corners must lie within half a step of it."""
    picture = np.kron(scene(), np.ones((6, 6, 1)))
    size = np.array(SIZE) * 6
    found = sm.find_chart(save(tmp_path / "p.jpg", picture))
    turned = sm.find_chart(save(tmp_path / "t.jpg", picture[::-1, ::-1]))
    assert off(found, CORNERS * 6) < 0.05
    assert np.abs((np.array(found.corners) + turned.corners - size).mean(axis=0)).max() < 2.0


def test_colour_is_that_of_corners_given(tmp_path: Path) -> None:
    place = save(tmp_path / "p.jpg", scene("A"))
    given = sm.read_photo(place, region=ph.SAMPLE, chart=ph.CHART)
    found = sm.read_photo(place, region=ph.SAMPLE, chart="find")
    assert found.correction == "chart"
    assert float(delta_e(np.array(found.target.lab), np.array(given.target.lab))) < 0.3


def test_covered_patches_are_left_out(tmp_path: Path) -> None:
    picture = scene()
    # A leaf lies on orange, purplish blue, and over most of bluish green and orange yellow.
    middle = (CORNERS[1] - CORNERS[0])[0] / 5
    x, y = CORNERS[0]
    clear = sm.read_photo(save(tmp_path / "clear.jpg", picture), region=ph.SAMPLE, chart="find")
    picture[int(y + 0.5 * middle) : int(y + 1.6 * middle), int(x - 20) : int(x + 1.5 * middle)] = (
        0.2,
        0.45,
        0.15,
    )
    place = save(tmp_path / "p.jpg", picture)
    found = sm.find_chart(place)
    assert set(found.left_out) == {6, 7}
    assert off(found, CORNERS) < 0.05
    target = sm.read_photo(place, region=ph.SAMPLE, chart="find")
    assert any("covered" in text for text in target.warnings)
    assert float(delta_e(np.array(target.target.lab), np.array(clear.target.lab))) < 1.5


@pytest.mark.parametrize(
    "cells",
    [
        [(column, 1) for column in range(6)],
        [(2, row) for row in range(4)],
        [(4, 2), (5, 2), (4, 3), (5, 3)],
    ],
    ids=["row", "column", "corner"],
)
@pytest.mark.parametrize("light", ["D65", "A"])
def test_a_bar_on_a_quarter_of_it(light: str, cells: Any, tmp_path: Path) -> None:
    """Of the colour of skin, which the chart has too."""
    picture = scene(light, seed=9)
    wide, high = (CORNERS[2] - CORNERS[0]) / (5, 3)
    low = CORNERS[0] + (np.min(cells, axis=0) - 0.5) * (wide, high)
    top = CORNERS[0] + (np.max(cells, axis=0) + 0.5) * (wide, high)
    (x0, y0), (x1, y1) = low.astype(int), top.astype(int)
    picture[max(y0, 0) : y1, max(x0, 0) : x1] = (0.80, 0.62, 0.53)
    found = sm.find_chart(save(tmp_path / "p.jpg", picture))
    assert off(found, CORNERS) < 0.1
    hidden = {column + 6 * row for column, row in cells}
    # A patch that has the bar's colour itself may count as seen.
    assert len(hidden - set(found.left_out)) <= 1
    assert len(set(found.left_out) - hidden) <= 2


@pytest.mark.parametrize("blur", [2.0, 4.0])
def test_blurred(blur: float, tmp_path: Path) -> None:
    picture = gaussian_filter(scene(seed=6), (blur, blur, 0))
    assert off(sm.find_chart(save(tmp_path / "p.jpg", picture)), CORNERS) < 0.08


@pytest.mark.parametrize("cast", [(1.0, 0.6, 0.3), (0.35, 0.6, 1.0)])
def test_under_a_strong_cast(cast: Any, tmp_path: Path) -> None:
    picture = scene(seed=7) * np.array(cast)
    assert off(sm.find_chart(save(tmp_path / "p.jpg", picture)), CORNERS) < 0.08


def test_half_a_chart_is_none(tmp_path: Path) -> None:
    picture = scene()
    picture[:, : int(CORNERS[:, 0].mean())] = 0.4
    with pytest.raises(sm.PhotoError, match=r"no chart|too many patches") as found:
        sm.find_chart(save(tmp_path / "p.jpg", picture))
    assert found.value.remedy


def test_no_chart(tmp_path: Path) -> None:
    place = save(tmp_path / "p.jpg", scene(chart=False))
    with pytest.raises(sm.PhotoError, match="no chart that was found"):
        sm.find_chart(place)
    with pytest.raises(sm.PhotoError, match="no chart that was found"):
        sm.read_photo(place, region=ph.SAMPLE, chart="find")


def test_other_grids_are_no_chart(tmp_path: Path) -> None:
    """24 patches of other colours, and the chart with two rows swapped."""
    rng = np.random.default_rng(3)
    for name, order in (("other", None), ("swapped", [0, 2, 1, 3])):
        picture = np.full((480, 640, 3), 0.15)
        straight = scene()
        for row in range(4):
            for column in range(6):
                x, y = 60 + 90 * column, 60 + 90 * row
                if order is None:
                    colour = rng.uniform(0.1, 0.9, 3)
                else:
                    at = CORNERS[0] + (column, order[row]) * (CORNERS[2] - CORNERS[0]) / (5, 3)
                    colour = straight[int(at[1]), int(at[0])]
                picture[y : y + 70, x : x + 70] = colour
        with pytest.raises(sm.PhotoError, match="no chart that was found"):
            sm.find_chart(save(tmp_path / f"{name}.jpg", picture))


@pytest.mark.parametrize("number", [3, 17, 30, 44, 55, 56, 57, 69])
def test_pictures_without_a_chart(number: int, tmp_path: Path) -> None:
    """Eight of the hundred of `tests.bench.photo_finding`; the last two are turned in hue."""
    Image.fromarray(chart_pictures.chartless(number)).save(tmp_path / "p.png")
    with pytest.raises(sm.PhotoError, match=r"no chart that was found"):
        sm.find_chart(tmp_path / "p.png")


def test_a_camera_keeps_its_channels_apart() -> None:
    """A cast and a vivid rendering are a camera's; channels in turn, or all alike, are not."""
    vivid = np.array([[1.4, -0.3, -0.1], [-0.2, 1.3, -0.1], [0.0, -0.4, 1.4]])
    for mixing in (np.eye(3), vivid, vivid * (0.4, 1.0, 2.5)):
        assert is_camera((SRGB.matrix @ mixing).T)
    for mixing in (np.roll(np.eye(3), 1, axis=0), np.full((3, 3), 1 / 3) + 0.1 * np.eye(3)):
        assert not is_camera((SRGB.matrix @ mixing).T)


def test_two_charts(tmp_path: Path) -> None:
    both = np.concatenate([scene(seed=5), scene("D65", seed=7)], axis=1)
    with pytest.raises(sm.PhotoError, match="more than one chart"):
        sm.find_chart(save(tmp_path / "p.jpg", both))


def test_mirrored_chart(tmp_path: Path) -> None:
    place = save(tmp_path / "p.jpg", scene()[:, ::-1])
    with pytest.raises(sm.PhotoError, match="mirrored"):
        sm.find_chart(place)


def test_grey_photo(tmp_path: Path) -> None:
    Image.new("L", (300, 200), 90).save(tmp_path / "g.png")
    with pytest.raises(sm.PhotoError, match="grey photo"):
        sm.find_chart(tmp_path / "g.png")


def test_what_finds_it_is_an_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = save(tmp_path / "p.jpg", scene())
    monkeypatch.setitem(sys.modules, "skimage.measure", None)
    with pytest.raises(
        sm.MissingExtraError,
        match=r"needs scikit-image.*\[chart\].*pip install scikit-image, or give",
    ):
        sm.find_chart(place)


@pytest.mark.parametrize("left_out", [(24,), (-1,), (1.5,), (True,), tuple(range(9)), "12", None])
def test_patches_left_out_are_checked(left_out: Any) -> None:
    with pytest.raises(sm.PhotoError, match="left_out"):
        sm.Chart(ph.CHART, left_out=left_out)


def test_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = str(save(tmp_path / "p.jpg", scene()))
    region = ",".join(map(str, ph.SAMPLE))
    assert main(["match", "--photo", place, "--region", region, "--chart", "find"]) == 0
    assert "24-patch chart" in capsys.readouterr().out
    assert main(["photo", place, "--chart", "--save", str(tmp_path / "c.png")]) == 0
    out = capsys.readouterr().out
    assert "chart" in out and (tmp_path / "c.png").stat().st_size > 10_000
    empty = str(save(tmp_path / "q.jpg", scene(chart=False)))
    assert main(["photo", empty, "--chart"]) != 0
    assert "no chart" in capsys.readouterr().err
