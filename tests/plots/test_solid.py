"""The solid's hatching, stored as few points."""

from __future__ import annotations

import numpy as np

from shadematch.plots.solid import _chained


def test_pieces_that_meet_become_one_line() -> None:
    """An open line of three pieces given out of order, and a closed one; drawn elsewhere."""
    a, b, c, d, e, f, g = (np.array([float(k), 0.0, 0.0]) for k in range(7))
    ends = np.array([[b, c], [b, a], [d, c], [e, f], [f, g], [g, e]])
    nan = np.nan
    assert np.array_equal(
        _chained(ends, ends + 10.0)[:, 0],
        [10.0, 11.0, 12.0, 13.0, nan, 14.0, 15.0, 16.0, 14.0, nan],
        equal_nan=True,
    )
    assert _chained(np.empty((0, 2, 3)), np.empty((0, 2, 3))).shape == (0, 3)
