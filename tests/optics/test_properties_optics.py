"""The optics where a small change of the code would show and elsewhere does not."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.optics import table
from shadematch.optics.layer import CONVEXITY, Layer
from shadematch.optics.transport import slab


@pytest.mark.parametrize("field", ["mu_a", "mu_s_reduced", "thickness_cm"])
def test_the_value_at_fault_is_the_one_shown(field: str) -> None:
    given = {name: np.array([0.5, 0.25, 0.75]) for name in ("mu_a", "mu_s_reduced", "thickness_cm")}
    given[field] = np.array([0.5, -0.125, 0.75])
    with pytest.raises(sm.PourError) as told:
        slab(**given)
    assert (told.value.field, float(told.value.value)) == (field, -0.125)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change", [{"n": 0.9}, {"g": 1.0}, {"g": -0.1}, {"half": 1}, {"moments": 0}, {"moments": 99}]
)
def test_each_setting_out_of_range_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(sm.PourError):
        slab(np.array(0.1), np.array(1.0), np.array(1.0), **change)


def test_the_shipped_table_has_the_axes_that_its_command_writes() -> None:
    place = resources.files("shadematch").joinpath("resources", table._FILE)
    with place.open("rb") as stream, np.load(stream) as archive:
        u, v = archive["u_axis"], archive["v_axis"]
        assert archive["R1"].shape == table._POINTS == (u.size, v.size)
    assert u[0] == v[0] == 0.0
    np.testing.assert_allclose(u, np.linspace(0, table.u_axis(np.array(table.U_MAX)), u.size))
    np.testing.assert_allclose(v, np.linspace(0, table.v_axis(np.array(table.V_MAX)), v.size))


def bent_layer(monkeypatch: pytest.MonkeyPatch, bend: Callable[[Any], Any]) -> Layer:
    """A layer whose table is wrong: R is what `bend` makes of the right one and of u."""
    right = Layer._knot_values
    monkeypatch.setattr(
        Layer, "_knot_values", staticmethod(lambda u, *rest: bend(right(u, *rest), u[:, None]))
    )
    return Layer(np.full(36, 0.05), 1.0, sm.View().surroundings)


def test_a_table_that_breaks_the_law_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    # A dent in R between u = 0.5 and 1.5, far too large for a rounding.
    layer = bent_layer(
        monkeypatch,
        lambda R, u: R + 0.02 * np.where(np.abs(u - 1) < 0.5, np.cos(np.pi * (u - 1)) ** 2, 0.0),
    )
    at = np.linspace(0.0, 3.0, 1501)
    R, slope = layer.evaluate(np.repeat(at[:, None], 36, axis=1))
    second = np.gradient(slope, at, axis=0)[1:-1]
    lacks = (CONVEXITY * slope**2 / R)[1:-1] - second
    dip = layer.dip(np.repeat(at[1:-1, None], 36, axis=1))
    assert dip is not None
    assert lacks.max() > 0.1
    assert np.all(dip >= lacks - 1e-3)
    assert np.all(dip <= 1.2 * lacks.max())
    assert np.all(dip[at[1:-1] > 1.7] == 0.0)  # nothing is wrong from there on


def test_noise_where_all_is_black_is_granted(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    layer = bent_layer(
        monkeypatch, lambda R, _u: np.where(R < 1e-10, 1e-11 * rng.random(R.shape), R)
    )
    assert layer.dip(np.zeros((1, 36))) is None
    assert np.all(layer.stray > 1e-11)
    assert np.all(layer.stray < 1e-8)
    assert np.all(layer.stray_slope > 0)


def test_the_command_that_writes_the_table_would_write_the_shipped_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Solving it all takes minutes: one slab in some hundreds is solved as the command asks for it.
    place = resources.files("shadematch").joinpath("resources", table._FILE)
    with place.open("rb") as stream, np.load(stream) as archive:
        shipped = {name: archive[name] for name in archive.files}
    some = (slice(None, None, 13), slice(None, None, 17))

    def some_slabs(u: Any, v: Any, thickness: Any, **how: Any) -> Any:
        assert u.shape == shipped["R1"].shape
        solved = slab(u[some], v[some], thickness, **how)
        for name, values in solved._asdict().items():
            np.testing.assert_allclose(values, shipped[name][some], rtol=0, atol=1e-10)
        return solved

    written: dict[str, Any] = {}
    monkeypatch.setattr("shadematch.optics.transport.slab", some_slabs)
    monkeypatch.setattr(np, "savez_compressed", lambda _path, **parts: written.update(parts))
    table._write()
    np.testing.assert_allclose(written["u_axis"], shipped["u_axis"], rtol=1e-14)
    np.testing.assert_allclose(written["v_axis"], shipped["v_axis"], rtol=1e-14)
