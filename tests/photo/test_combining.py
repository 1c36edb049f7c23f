"""Several photos of one thing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from tests.invented import photos as ph

EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9


SOAP = (0.70, 0.15, 0.95, 0.60)


def test_several_photos_make_one_target(tmp_path: Path) -> None:
    sample = ph.cie_samples()[50]
    read = []
    for seed, light in enumerate(("D65", "LED-B5", "D65")):
        rng = np.random.default_rng(40 + seed)
        shot = ph.shoot(tmp_path / f"{seed}.jpg", sample, light, ph.cameras()[seed % 2], rng)
        read.append(sm.read_photo(shot, region=SOAP, neutral=ph.PAPER))
    both = sm.combine_photos(read)
    radii = [p.target.radius for p in read]
    assert 0.5 * min(radii) < both.target.radius < min(radii)
    error = np.array(both.target.lab) - ph.true_lab(sample)
    assert error @ np.linalg.solve(np.array(both.target.covariance), error) <= EDGE
    assert not both.warnings and both.disagreement < 1.5
    assert sm.match(both, pour=sm.Pour(batch_g=100)).target is both.target  # type: ignore[arg-type]
    assert "3 photos" in both.target.source and both.target.hex in str(both)


def test_photos_that_disagree_make_it_less_sure(tmp_path: Path) -> None:
    read = []
    for i in (10, 50):
        rng = np.random.default_rng(60)
        shot = ph.shoot(tmp_path / f"{i}.jpg", ph.cie_samples()[i], "D65", ph.cameras()[0], rng)
        read.append(sm.read_photo(shot, region=SOAP, chart=ph.CHART))
    both = sm.combine_photos(read)
    assert both.disagreement > 2 and "same part" in both.warnings[0]
    assert both.target.radius > max(p.target.radius for p in read)
    for wrong in ([], read[:1], [read[0], None], 3, "ab"):
        with pytest.raises(sm.PhotoError, match="two or more"):
            sm.combine_photos(wrong)  # type: ignore[arg-type]
