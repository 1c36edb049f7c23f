"""Bases beside clear and white: names, numbers, and what stands in a base's place."""

from __future__ import annotations

import pickle
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.studio.uncertainty import Mode, PaletteUncertainty
from tests.invented.bases import BROWN, browned


def test_a_palette_without_further_bases_is_as_it_was() -> None:
    plain = sm.demo_palette()
    # As told in docs/files.md before there were further bases.
    assert plain.fingerprint == "8f61-5b3c-c89d"
    told = plain.model_dump(mode="json")
    assert "bases" not in told and "name" not in told["clear"]
    assert "base" not in sm.Pour(batch_g=500).model_dump()
    assert "base" not in sm.LetDown(pigment="gorse", paste_per_g=0.02).model_dump()
    assert plain.in_base("clear") is plain and plain.base_names == ("clear",)


def test_a_further_base_counts_in_the_fingerprint_and_goes_to_pieces_and_back() -> None:
    palette = browned()
    assert palette.fingerprint != sm.demo_palette().fingerprint
    assert palette.base_names == ("clear", BROWN) and palette.base("clear") == palette.clear
    assert sm.Palette(**palette.model_dump(mode="json")) == palette
    assert pickle.loads(pickle.dumps(palette)) == palette
    assert hash(palette) == hash(browned())
    assert BROWN in str(palette.report().text())
    assert palette.only("gorse").bases == palette.bases == palette.known_to(0.1).bases


def test_in_a_base_it_stands_in_the_place_of_clear() -> None:
    palette = browned()
    own = palette.in_base(BROWN)
    assert own.clear == palette.base(BROWN) and own.white == palette.white and own.bases == ()
    half = palette.in_base(BROWN).blend(0.5)[0]
    mixed = 0.5 * np.array(palette.base(BROWN).absorption) + 0.5 * np.array(
        palette.white.absorption
    )
    assert np.allclose(half, mixed, rtol=1e-12)


def test_spectra_at_other_wavelengths_are_brought_over() -> None:
    grid = list(range(380, 731, 5))
    entry = {"absorption": [0.1] * len(grid), "scattering": [0.01] * len(grid)}
    palette = sm.Palette(
        wavelengths_nm=grid,  # type: ignore[call-arg]
        pigments=[{"name": "a", "absorption": [1.0] * len(grid)}],  # type: ignore[arg-type]
        clear=entry,  # type: ignore[arg-type]
        white=entry,  # type: ignore[arg-type]
        bases=[{"name": "oat", **entry}],  # type: ignore[list-item]
    )
    assert np.allclose(palette.base("oat").absorption, 0.1)


@pytest.mark.parametrize(
    ("names", "problem"),
    [
        (["clear"], "needs a name of its own"),
        (["white"], "needs a name of its own"),
        ([""], "needs a name of its own"),
        (["oat", "oat"], "appears twice"),
        (["oat milk", "oat  milk"], "look the same"),
        ([f"b{i}" for i in range(13)], "more than twelve"),
    ],
)
def test_names_are_told_apart(names: list[str], problem: str) -> None:
    clear = sm.demo_palette().clear
    bases = tuple(clear.model_copy(update={"name": name}) for name in names)
    with pytest.raises(sm.PaletteError, match=problem):
        browned(*bases)


def test_a_misspelt_base_is_asked_about() -> None:
    with pytest.raises(sm.UnknownNameError, match=rf"Did you mean {BROWN}\? It has clear, {BROWN}"):
        browned().in_base("clear with vanila")
    with pytest.raises(sm.PourError, match="Give white=1"):
        sm.Pour(batch_g=100, base="white")
    for wrong in ("", 3, None, "a\nb"):
        with pytest.raises(sm.PourError, match="base"):
            sm.Pour(batch_g=100, base=wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("white", "words"),
    [
        (0.0, f'500 g of base "{BROWN}", 1 cm thick'),
        (0.2, f'500 g of base "{BROWN}" with 20% white, 1 cm thick'),
        (1.0, "500 g of white base, 1 cm thick"),
    ],
)
def test_a_pour_says_its_base(white: float, words: str) -> None:
    pour = sm.Pour(batch_g=500, white=white, base=BROWN)
    assert str(pour) == words
    assert pour.kinds == (f'base "{BROWN}"', "white base")
    assert sm.Pour(**pour.model_dump(mode="json")) == pour


def test_a_let_down_is_made_in_the_base_of_the_batch() -> None:
    pour = sm.Pour(batch_g=500, base=BROWN)
    made = sm.LetDown.made("gorse", paste=1, base_g=50, base=BROWN)
    assert str(made) == f'gorse let-down (1 cm in 50 g of base "{BROWN}")'
    match = sm.match("#f0e6c8", palette=browned(), pour=pour, let_downs=[made])
    assert match.closest.delta_e <= sm.match("#f0e6c8", palette=browned(), pour=pour).delta_e
    other = sm.LetDown.made("gorse", paste=1, base_g=50)
    with pytest.raises(sm.PourError, match=f"base='{BROWN}'"):
        sm.match("#f0e6c8", palette=browned(), pour=pour, let_downs=[other])
    white = sm.LetDown.made("gorse", paste=1, base_g=50, white=1)
    half = pour.model_copy(update={"white": 0.5})
    assert sm.match("#f0e6c8", palette=browned(), pour=half, let_downs=[white]).proved


def doubted(**mode: Any) -> PaletteUncertainty:
    rows: list[tuple[float, ...]] = [()] * 7
    return PaletteUncertainty(modes=(Mode(absorption=rows, scattering=rows, **mode),))


def test_what_is_not_known_of_a_base_goes_where_it_goes() -> None:
    moves = (0.3,) * 36
    palette = sm.Palette(**{**dict(browned()), "uncertainty": doubted(bases=((moves, ()),))})
    own = palette.in_base(BROWN).uncertainty
    assert own is not None and own.absorption[0, 5].tolist() == [0.3] * 36
    assert not own.scattering.any() and not own.absorption[0, :5].any()
    assert sm.Palette(**palette.model_dump(mode="json")) == palette
    assert sm.Palette(**palette.without("kelp").model_dump(mode="json")).uncertainty is not None
    apart = {
        base: sm.spread({"gorse": 2}, palette=palette, pour=sm.Pour(batch_g=500, base=base))
        for base in palette.base_names
    }
    assert apart[BROWN].causes["pastes"] > 0.5 > 0.01 > apart["clear"].causes["pastes"]
    with pytest.raises(sm.PaletteError, match="at most 0 further bases"):
        sm.Palette(**{**dict(sm.demo_palette()), "uncertainty": palette.uncertainty})


@pytest.mark.parametrize("name", ["White", "CLEAR", BROWN.upper()])
def test_names_that_differ_in_case_only_are_refused(name: str) -> None:
    more = (*browned().bases, sm.Base(name=name, absorption=[0.1] * 36, scattering=[0.0] * 36))
    with pytest.raises(sm.PaletteError, match="bases"):
        sm.Palette(**{**dict(browned()), "bases": more})
