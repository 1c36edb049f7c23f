"""What a palette carries of its calibration, against the calibration itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.calibration.intervals import sources_of
from shadematch.calibration.result import Calibration
from shadematch.predicting.uncertainty import Uncertainty
from tests.invented import worlds
from tests.invented.campaign import campaign


@pytest.fixture(scope="module", params=["spectrum", "lab"])
def learnt(request: pytest.FixtureRequest) -> tuple[worlds.World, Calibration]:
    rng = np.random.default_rng([3, len(request.param)])
    world = worlds.random_world(rng, 3)
    plan = campaign(tuple(world.absorption), batch_g=500.0)
    noise = {"spectrum": 0.01, "lab": 0.4}[request.param]
    return world, sm.calibrate(worlds.measured(world, plan, rng, request.param, noise))


@pytest.mark.slow
def test_covariances_are_those_of_the_fit(learnt: tuple[worlds.World, Calibration]) -> None:
    world, found = learnt
    palette = found.palette
    assert palette.uncertainty is not None
    assert len(palette.uncertainty.modes) <= 100
    for doses, pour in worlds.unseen(world, np.random.default_rng(1), 20):
        known = Uncertainty(palette, pour, found.view(), dose_slip=0.2, scale_g=1.0)
        held = np.array([doses.get(n, 0.0) for n in palette.names])
        linear = known.linear(held[None])
        lab, _, parts, _ = sources_of(found._fit, doses, pour, sm.View())
        assert linear.lab[0, 0] == pytest.approx(lab, abs=1e-3)

        def of(cause: str, linear: object = linear, known: Uncertainty = known) -> np.ndarray:
            columns = linear.columns[0][[c == cause for c in known.causes]]  # type: ignore[attr-defined]
            return np.asarray(columns.T @ columns)

        size = np.trace(parts["spectra"])
        assert of("pastes") == pytest.approx(parts["spectra"], abs=0.06 * size + 0.01)
        assert of("bench") == pytest.approx(parts["bench"], abs=0.02 * np.trace(parts["bench"]))
        assert of("model") == pytest.approx(parts["model"], abs=1e-9)


@pytest.mark.slow
def test_the_palette_keeps_it(learnt: tuple[worlds.World, Calibration], tmp_path: Path) -> None:
    palette = learnt[1].palette
    sm.save(palette, tmp_path / "mine.json")
    assert sm.read(tmp_path / "mine.json", sm.Palette) == palette
    assert (tmp_path / "mine.json").stat().st_size < 500_000
    few = learnt[1].palette_of("B", "A")
    assert few.uncertainty is not None and few.names == ("B", "A")
    assert few.uncertainty.modes[0].absorption[0]
    s = sm.spread({"A": 2, "B": 1}, palette=palette, pour=sm.Pour(batch_g=500))
    assert s.causes["pastes"] > 0 and s.causes["model"] > 0 and s.causes["bench"] > 0
