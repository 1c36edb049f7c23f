"""A kept recipe with the palette of today."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.matching.match import Match
from tests.invented.problems import altered


def test_unchanged_palette(match: Match, saved: Path) -> None:
    for palette in (None, match.palette):
        again = sm.repeat(saved, palette=palette)
        assert again.same
        assert again.changed == again.missing == ()
        assert again.to_target == pytest.approx(match.delta_e, abs=1e-9)
        assert "has not changed" in again.sentence


def test_a_stronger_paste_is_named_and_weighed(match: Match, saved: Path) -> None:
    name = next(iter(match.recipe.doses))
    palette = altered(match.palette, name, 1.4)
    again = sm.repeat(saved, palette=palette)
    seen = sm.predict(match.recipe.doses, palette=palette, pour=match.pour)
    assert again.predicted == seen
    assert again.changed == (name,)
    assert again.delta_e is not None
    # CIEDE2000 by scikit-image (G. Sharma, W. Wu, E. N. Dalal 2005)
    from skimage.color import deltaE_ciede2000

    assert again.delta_e == pytest.approx(
        float(deltaE_ciede2000(np.array(match.predicted.lab), np.array(seen.lab))), abs=1e-6
    )
    assert again.delta_e > 1
    assert not again.same
    for words in (
        f"changed since: {name} differs",
        f"{again.delta_e:.2f}",
        "Match the target again",
    ):
        assert words in again.sentence
        assert words in str(again)
        assert words in again._repr_html_()


def test_bases_count_if_they_are_in_it(tmp_path: Path) -> None:
    palette = sm.demo_palette()
    data = palette.model_dump(mode="json")
    data["white"]["scattering"] = [2 * v for v in data["white"]["scattering"]]
    other = sm.Palette(**data)
    for white, changed in ((0.0, ()), (0.2, ("white base",)), (1.0, ("white base",))):
        recipe = sm.Recipe({"gorse": 1}, sm.Pour(batch_g=100, white=white))
        sm.save(recipe, tmp_path / "r.json", replace=True)
        again = sm.repeat(tmp_path / "r.json", palette=other)
        assert again.changed == changed
        assert again.same == (white == 0)
        if white == 0:
            assert "nothing that this recipe uses" in again.sentence


def test_missing_paste(match: Match, saved: Path) -> None:
    name = next(iter(match.recipe.doses))
    again = sm.repeat(saved, palette=match.palette.without(name))
    assert again.missing == (name,)
    assert again.predicted is again.delta_e is again.to_target is None
    assert not again.same
    assert f"no longer has {name}" in again.sentence
    assert name in str(again)
    assert "no longer" in again._repr_html_()


def test_another_version_that_computes_otherwise(saved: Path) -> None:
    data = json.loads(saved.read_text(encoding="utf-8"))
    data["library"] = "0.0.1"
    data["lab"][0] += 3.0
    saved.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(sm.FileError, match="delta_e: does not fit"):
        sm.read(saved)
    target = sm.Target(**{n: data["target"][n] for n in ("lab", "illuminant", "observer")})
    data["delta_e"] = float(delta_e(np.array(data["lab"]), target.lab_in(sm.View())))
    for choice in ("frugal", "closest"):
        data["match"][choice]["delta_e"] += 1.0
    data["match"]["bound"] += 1.0
    saved.write_text(json.dumps(data), encoding="utf-8")
    again = sm.repeat(saved)
    assert again.saved.delta_e == data["delta_e"]
    assert again.saved.match is None  # nobody can say any more that it was proved
    assert again.changed == ()
    assert not again.same
    assert "computes differently from 0.0.1" in again.sentence
