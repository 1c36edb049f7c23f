"""What a palette says of itself: in files, with fewer pastes, and refused where it is wrong."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.studio.uncertainty import Backing, Mode, PaletteUncertainty


def row(value: float) -> tuple[float, ...]:
    return (value,) * 36


def mode(*values: float) -> Mode:
    return Mode(
        absorption=tuple(row(v) if v else () for v in values),
        scattering=((),) * len(values),
        backings=(row(0.1),),
    )


KNOWN = PaletteUncertainty(
    modes=(mode(0.1, 0, 0, 0, 0, 0.2, 0), mode(0, 0.3, 0, 0, 0, 0, 0)),
    backings=(Backing(reflectance=row(0.9), contact="dry"),),
    thickness=0.01,
    model_lab=0.3,
)


def carrying(known: PaletteUncertainty | None = KNOWN) -> sm.Palette:
    return sm.Palette(**{**dict(sm.demo_palette()), "uncertainty": known})


def test_kept_in_a_file(tmp_path: Path) -> None:
    palette = carrying()
    sm.save(palette, tmp_path / "mine.json")
    back = sm.read(tmp_path / "mine.json", sm.Palette)
    assert back == palette and back.uncertainty == KNOWN and hash(back) == hash(palette)
    assert "uncertainty" not in sm.demo_palette().model_dump(mode="json")
    assert pickle.loads(pickle.dumps(palette)) == palette


def test_colours_do_not_rest_on_it() -> None:
    palette = carrying()
    assert palette != sm.demo_palette()
    assert palette.fingerprint == sm.demo_palette().fingerprint
    assert (
        sm.predict({"gorse": 2}, palette=palette, pour=sm.Pour(batch_g=100)).lab
        == sm.predict({"gorse": 2}, pour=sm.Pour(batch_g=100)).lab
    )


def test_fewer_pastes() -> None:
    names = sm.demo_palette().names
    fewer = carrying().only(names[1], names[3])
    assert fewer.uncertainty is not None
    assert fewer.uncertainty.absorption.shape == (2, 4, 36)
    assert fewer.uncertainty.absorption[:, :, 0].tolist() == [[0, 0, 0.2, 0], [0.3, 0, 0, 0]]
    assert carrying().without(*names[2:]).uncertainty is not None
    assert KNOWN.absorption.shape == (2, 7, 36)


def test_strengths() -> None:
    palette = sm.demo_palette()
    some = palette.known_to({"dusk": 0.2}).uncertainty
    assert palette.known_to({"Dusk": 0.2}).uncertainty == some
    assert some is not None and len(some.modes) == 1
    at = palette.index("dusk")
    assert some.absorption[0, at].tolist() == [0.2] * 36 == some.scattering[0, at].tolist()
    for wrong in (-0.1, 2.0, float("nan"), "much"):
        with pytest.raises(sm.PaletteError) as found:
            palette.known_to(wrong)  # type: ignore[arg-type]
        assert found.value.field == "known_to" and found.value.remedy
    with pytest.raises(sm.UnknownNameError):
        palette.known_to({"ink": 0.1})


def test_which_backing_is_meant() -> None:
    assert KNOWN.of_backing(sm.View()).tolist() == [[0.1] * 36] * 2
    assert KNOWN.of_backing(sm.View(backing=0.85)).any()
    for other in (
        sm.View(backing="black"),
        sm.View(contact="wet"),
        sm.View(through=True),
    ):
        assert not KNOWN.of_backing(other).any()


@pytest.mark.parametrize(
    ("known", "field"),
    [
        ({"modes": [{"absorption": [[0.1]], "scattering": [[]]}]}, "modes.0.absorption"),
        ({"modes": [{"absorption": [[]], "scattering": [[], []]}]}, "modes.0.scattering"),
        ({"modes": [{"absorption": [], "scattering": [], "backings": [[]]}]}, "modes.0.backings"),
        ({"modes": [{"absorption": [[99.0] * 36], "scattering": [[]]}]}, "modes.0.absorption.0.0"),
        ({"thickness": -0.1}, "thickness"),
        ({"gain": float("nan")}, "gain"),
        ({"model_lab": 1e9}, "model_lab"),
        ({"backings": [{"reflectance": [0.5], "contact": "dry"}]}, "backings.0.reflectance"),
        ({"surely": 1}, "surely"),
    ],
)
def test_refused(known: dict[str, object], field: str) -> None:
    with pytest.raises(sm.PaletteError) as found:
        PaletteUncertainty(**known)  # type: ignore[arg-type]
    assert found.value.field == field
    data = {**sm.demo_palette().model_dump(mode="json"), "uncertainty": known}
    with pytest.raises(sm.PaletteError) as found:
        sm.Palette(**data)
    assert found.value.field == f"uncertainty.{field}"


def test_of_another_number_of_pastes() -> None:
    with pytest.raises(sm.PaletteError) as found:
        sm.Palette(**{**dict(sm.demo_palette().only("gorse")), "uncertainty": KNOWN})
    assert found.value.field == "uncertainty" and "3 spectra" in str(found.value)
    assert np.all(KNOWN.scattering == 0)
