"""CIEDE2000 between colours in any form."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm

# G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30 (2005) 21, table 1, pairs 1, 7 and 25.
PAIRS = [
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
]


@pytest.mark.parametrize(("first", "second", "published"), PAIRS)
def test_published_pairs(
    first: tuple[float, ...], second: tuple[float, ...], published: float
) -> None:
    assert sm.delta_e(first, second) == pytest.approx(published, abs=5e-5)
    assert sm.delta_e(np.array(second), list(first)) == pytest.approx(published, abs=5e-5)
    target = sm.Target(first)
    assert sm.delta_e(target, second) == pytest.approx(published, abs=5e-5)


def test_all_forms_of_one_colour_agree() -> None:
    target = sm.Target.from_hex("#d9822b")
    for form in ("d9822b", target, target.lab, np.array(target.lab)):
        assert sm.delta_e("#d9822b", form) == 0
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=200, max_load=2))
    told = pytest.approx(match.delta_e, abs=1e-12)
    assert sm.delta_e(match.target, match.predicted) == told
    assert sm.delta_e(match.predicted, "#d9822b") == told


def test_a_prediction_brings_its_light() -> None:
    lamp = sm.View(illuminant="A", observer=10)
    seen = sm.predict({"gorse": 2}, view=lamp, pour=sm.Pour(batch_g=100))
    wanted = sm.Target.from_hex("#d9822b")
    own = sm.delta_e(wanted.lab_in(lamp), seen.lab)
    assert sm.delta_e(wanted, seen) == sm.delta_e(seen, wanted) == own
    with pytest.raises(sm.ColourError, match="another light"):
        sm.delta_e(seen, sm.predict({"gorse": 2}, pour=sm.Pour(batch_g=100)))
    with pytest.raises(sm.ColourError, match="another light"):
        sm.delta_e(seen, wanted, view=sm.View())


@pytest.mark.parametrize(
    "wrong", [(1, 2), (1, 2, float("nan")), (1, 2, "3"), None, 5, (1e9, 0, 0), sm.Pour(batch_g=100)]
)
def test_what_is_no_colour_is_refused(wrong: object) -> None:
    with pytest.raises(sm.ColourError) as found:
        sm.delta_e("#d9822b", wrong)  # type: ignore[arg-type]
    assert found.value.field == "second"


def test_a_match_has_two_colours() -> None:
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=100), max_pigments=1)
    with pytest.raises(sm.ColourError, match="its predicted"):
        sm.delta_e(match, "#d9822b")
