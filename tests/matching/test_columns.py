"""Catalogues as columns: the same as matches made one by one."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pandas as pd
import pytest

import shadematch as sm
from shadematch.keeping.results import results_frame
from shadematch.support.arrays import FloatArray
from tests.invented.problems import milky

POUR = sm.Pour(batch_g=200)


def labs(count: int, seed: int = 1) -> FloatArray:
    rng = np.random.default_rng(seed)
    targets = [sm.Target.from_srgb(c) for c in rng.random((count, 3)).tolist()]
    return np.array([each.lab for each in targets])


def same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(one, other, rtol=1e-6, atol=1e-6, check_dtype=False)


WAYS: list[dict[str, Any]] = [
    {},
    {"view": sm.View(illuminant="A", observer=10, backing="black")},
    {"lights": ["A", "D65"], "view": sm.View(illuminant="D50")},
    {"let_downs": [sm.LetDown.made("rosehip", paste=1, base_g=25)]},
    {"palette": milky(np.random.default_rng(2), 3, 1)},
    {"palette": sm.demo_palette().known_to(0.1)},
    {"max_pigments": 2, "must_use": ["gorse"], "tolerance": 3.0, "robust": True},
]


@pytest.mark.parametrize("way", WAYS, ids=lambda way: " ".join(way) or "plain")
def test_a_table_of_columns_is_that_of_matches(way: dict[str, Any]) -> None:
    given = labs(12)
    quick = results_frame(sm.match_many(given, pour=POUR, chunk=5, **way))
    matches = list(sm.match_many(given, pour=POUR, chunk=5, **way))
    same(quick, results_frame(matches))
    view = matches[0].view
    light = sm.View(**({"illuminant": "D65"} if "view" not in way else dict(way["view"])))
    targets = [
        sm.Target.from_lab(lab, illuminant=light.illuminant, observer=light.observer)
        for lab in given.tolist()
    ]
    alone = [sm.match(target, pour=POUR, **way) for target in targets]
    for one, many in zip(alone, matches, strict=True):
        assert (one.target, one.recipe, one.closest.recipe) == (
            many.target,
            many.recipe,
            many.closest.recipe,
        )
        assert many.delta_e == pytest.approx(one.delta_e, abs=1e-9)
        assert (one.proved, one.rule) == (many.proved, many.rule)
    assert quick["predicted_hex"].tolist() == [m.predicted.hex for m in alone]
    assert quick["target"].tolist() == [str(t) for t in targets]
    assert quick["target_hex"].tolist() == [t.hex for t in targets]
    assert np.allclose(
        quick[["target_L", "target_a", "target_b"]], [t.lab_in(view) for t in targets]
    )


def test_frames_of_lab_and_of_codes() -> None:
    given = labs(6)
    frame = pd.DataFrame(given, columns=["L", "a", "b"]).assign(name="x")
    asked: dict[str, Any] = {"pour": POUR, "view": sm.View(illuminant="A")}
    targets = [sm.Target.from_lab(lab) for lab in given.tolist()]
    same(
        results_frame(sm.match_many(frame, **asked)), results_frame(sm.match_many(targets, **asked))
    )
    codes = ["#d9822b", "#335577"]
    by_code = results_frame(sm.match_many(pd.DataFrame({"Hex": codes}), pour=POUR))
    same(by_code, results_frame(sm.match_many(codes, pour=POUR)))
    assert len(results_frame(sm.match_many(np.empty((0, 3)), pour=POUR))) == 0


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (np.zeros((3, 2)), "shape"),
        (np.zeros(3), "shape"),
        (np.array([["50", "0", "0"]]), "shape"),
        (np.array([[50.0, 0.0, 0.0], [50.0, np.nan, 0.0]]), "row 2"),
        (np.array([[50.0, 0.0, 0.0], [101.0, 0.0, 0.0]]), "row 2"),
        (np.array([[50.0, 0.0, 0.0]] * 7 + [[50.0, 300.0, 0.0]]), "row 8"),
        (pd.DataFrame({"X": [1.0], "Y": [2.0], "Z": [3.0]}), "targets_from_frame"),
        (pd.DataFrame({"L": ["x"], "a": [2.0], "b": [3.0]}), "not all numbers"),
    ],
)
def test_what_is_no_catalogue_is_refused(given: Any, words: str) -> None:
    with pytest.raises(sm.ColourError, match=words):
        list(sm.match_many(given, pour=sm.Pour(batch_g=100), chunk=5))


def test_a_table_has_what_was_not_taken_yet_and_an_array_may_change() -> None:
    given = labs(9)
    want = results_frame(sm.match_many(given.copy(), pour=POUR))
    stream = sm.match_many(given, pour=POUR, chunk=4)
    given[:] = 0.0
    assert next(stream).delta_e == pytest.approx(want["delta_e"][0])
    rest = results_frame(stream)
    same(rest, want.iloc[1:].reset_index(drop=True))
    assert next(stream, None) is None


def test_columns_over_an_executor_and_their_progress() -> None:
    given, seen = labs(11), []
    with ThreadPoolExecutor(2) as pool:
        many = sm.match_many(given, pour=POUR, chunk=4, executor=pool, progress=seen.append)
        assert many.untouched and not seen
        same(results_frame(many), results_frame(sm.match_many(given, pour=POUR)))
    assert seen == [4, 8, 11]


def test_no_target_is_made_of_an_array(monkeypatch: pytest.MonkeyPatch) -> None:
    given, made = labs(20), []
    check = sm.Target.__post_init__
    monkeypatch.setattr(sm.Target, "__post_init__", lambda self: made.append(1) or check(self))
    frame = results_frame(sm.match_many(given, pour=POUR))
    assert len(frame) == 20 and not made
    next(sm.match_many(given, pour=POUR))
    assert made == [1]
