"""Figures from results. Matplotlib is an extra (``pip install "shadematch[plots]"``).

Every function takes and returns axes, so that figures can be composed.
"""

from shadematch.plots.layers import draw_layers, draw_wedge
from shadematch.plots.match import draw_match
from shadematch.plots.plan import draw_plan

__all__ = [
    "draw_layers",
    "draw_match",
    "draw_plan",
    "draw_wedge",
]
