"""Every public function and method: no NaN, and nothing raised but this library's own errors.

`SHADEMATCH_PROPERTIES=large` runs many more examples (some minutes).
"""

from __future__ import annotations

import os
import random
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

import shadematch as sm
from shadematch.errors import ShadematchError
from tests.whole.fuzz_calls import (
    CALLS,
    HOSTILE,
    PASTES,
    RESULTS,
    complaint,
    faults,
    palette,
    public_callables,
)
from tests.whole.public import everything

pytestmark = pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")

LARGE = os.environ.get("SHADEMATCH_PROPERTIES") == "large"


def examples(small: int, large: int) -> settings:
    return settings(
        max_examples=large if LARGE else small,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("calls")


def test_every_public_name_has_a_property_test() -> None:
    assert public_callables() <= set(CALLS)
    assert {name for name in set(CALLS) - public_callables() if " " not in name} == set()
    classes = {
        name
        for name, thing in everything().items()
        if isinstance(thing, type) and not issubclass(thing, ShadematchError | Warning)
    }
    assert classes >= RESULTS
    assert classes - RESULTS <= set(CALLS)


def test_what_is_wrong_with_an_answer_is_seen() -> None:
    assert faults({"a": [1.0, (2.0, float("nan"))]}) == ["['a'][1][1] is nan"]
    assert faults(np.array([1.0, np.inf]))
    assert complaint(lambda: 1 / 0).startswith("ZeroDivisionError")
    assert "remedy" in complaint(lambda: (_ for _ in ()).throw(sm.PourError("bad", field="a")))


@pytest.mark.parametrize("name", CALLS)
def test_a_good_call_answers_soundly(name: str, folder: Path) -> None:
    answer = CALLS[name](folder)
    assert faults(answer) == []
    if type(answer).__module__.startswith("shadematch"):
        assert len(repr(answer)) <= 2000  # a debugger's line; str is for reading


# --- one argument spoilt


@pytest.mark.parametrize("name", CALLS)
def test_spoilt_arguments_are_refused_by_name(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)  # some odd texts are names of files
    call = CALLS[name]
    pairs = [(field, label) for field in call.given(folder) for label in HOSTILE]
    if not LARGE:
        rng = random.Random(zlib.crc32(name.encode()))
        pairs = rng.sample(pairs, min(len(pairs), 1 if call.slow else 8))
    wrong = []
    for field, label in pairs:
        found = complaint(lambda f=field, v=label: call(folder, **{f: HOSTILE[v]()}))
        if found:
            wrong.append(f"{field} = {label}: {found}")
    assert wrong == []


# --- arguments at random

numbers = st.one_of(
    st.floats(0, 10), st.floats(-1e3, 1e3), st.floats(), st.integers(-3, 10**20), st.booleans()
)
lab = st.tuples(st.floats(0, 100), st.floats(-90, 90), st.floats(-90, 90))
dosed = st.dictionaries(st.sampled_from(PASTES), st.floats(0, 30), max_size=3)
pours = st.builds(
    sm.Pour,
    batch_g=st.floats(25, 300),
    thickness_cm=st.one_of(st.floats(0.01, 100), st.just(1.0)),
    white=st.one_of(st.just(0.0), st.just(1.0), st.floats(0, 1)),
    max_load=st.floats(0.5, 4),
    dose_step=st.sampled_from([1.0, 0.5, 0.7]),
)
views = st.builds(
    sm.View,
    illuminant=st.sampled_from(["D65", "A", "FL11", "LED-B3", "D50"]),
    observer=st.sampled_from(["2", "10"]),
    backing=st.one_of(st.sampled_from(["white", "black"]), st.floats(0, 1)),
    contact=st.sampled_from(["dry", "wet"]),
    through=st.booleans(),
)


def _targets(colour: tuple[float, float, float]) -> sm.Target | str:
    try:
        return sm.Target.from_lab(colour)
    except sm.ColourError:
        return "#" + "".join(f"{int(abs(v)):02x}" for v in colour)


def _palettes(scale: float, chalk: float, bend: float) -> sm.Palette:
    base = palette()
    changed = [
        p.model_copy(
            update={
                "absorption": tuple(scale * v for v in p.absorption),
                "scattering": tuple(chalk for _ in p.absorption) if chalk else None,
                "bend": bend,
            }
        )
        for p in base.pigments
    ]
    return sm.Palette(pigments=tuple(changed), clear=base.clear, white=base.white)


palettes = st.one_of(
    st.none(),
    st.just(palette()),
    st.builds(
        _palettes,
        st.sampled_from([0.0, 1e-6, 1.0, 30.0]),
        st.sampled_from([0.0, 0.0, 2.0]),
        st.sampled_from([-0.05, 0.0, 0.0, 0.1, 10.0]),
    ),
)
BY_NAME: dict[str, Any] = {
    "palette": palettes.map(lambda p: palette() if p is None else p),
    "pour": pours,
    "to_pour": pours,
    "view": views,
    "to_view": views,
    "target": lab.map(_targets),
    "measured": lab,
    "lab": lab,
    "doses": dosed,
    "recipe": st.builds(sm.Recipe, dosed, pours),
    "xyz": lab,
    "targets": st.lists(lab.map(_targets), max_size=3),
    "lightness": st.one_of(st.none(), st.floats(0, 100)),
    "max_pigments": st.one_of(st.none(), st.integers(1, 3)),
    "step": st.floats(12, 20),
}
KEPT = {"path", "saved", "calibration", "test_pours", "executor", "steps", "step_g", "largest_g"}
"""Arguments left as they are: files have a fuzz of their own, the others only cost time."""


def _strategy(field: str, good: Any) -> Any:
    if field in KEPT:
        return st.just(good)
    if field in BY_NAME:
        return BY_NAME[field]
    if isinstance(good, bool):
        return st.booleans()
    if isinstance(good, int | float):
        return st.one_of(st.just(good), numbers)
    if isinstance(good, str):
        return st.one_of(st.just(good), st.text(max_size=20))
    if isinstance(good, list | tuple) and good and isinstance(good[0], float):
        return st.one_of(st.just(good), st.lists(numbers, max_size=4))
    return st.just(good)


@pytest.mark.parametrize("name", CALLS)
def test_random_arguments_are_answered_or_refused(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    call = CALLS[name]

    @examples(1 if call.slow else 3, 20 if call.slow else 150)
    @given(st.fixed_dictionaries({f: _strategy(f, v) for f, v in call.given(folder).items()}))
    def answered(arguments: dict[str, Any]) -> None:
        assert complaint(lambda: call(folder, **arguments)) == ""

    answered()
