"""The optics where a small change of the code would show and elsewhere does not."""

from __future__ import annotations

from importlib import resources
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

import shadematch as sm
from shadematch.optics import table
from shadematch.optics.layer import Layer
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


@pytest.mark.parametrize("contact", ["air", "optical"])
def test_limits_of_curvature_are_those_of_the_spline_and_no_wider(contact: str) -> None:
    # A cubic spline's second derivative is linear between knots, so its extremes are at knots.
    around = sm.View(contact=contact).surroundings
    layer = Layer(np.full(36, 0.05), 1.0, around)
    knots = layer._knots
    spline = CubicSpline(knots, layer.value(knots[:, None] + np.zeros(36)), axis=0)
    # The limits may look one interval further to either side.
    for at in (0, 1, 20, 200, 600):
        bend = spline(knots[: at + 3], 2)
        end = np.full(36, 0.5 * (knots[at] + knots[at + 1]))
        least, greatest = layer.curvature_limits(np.zeros(36), end)
        np.testing.assert_allclose(greatest, bend.max(axis=0), rtol=1e-6)
        slack = 1e-9 * np.abs(bend).max(axis=0)
        assert np.all(np.abs(least - bend.min(axis=0)) <= 1e-6 * np.abs(bend.min(axis=0)) + slack)


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
