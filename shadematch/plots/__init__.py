"""Figures from results: knows how to draw them, and computes none.

Matplotlib is an extra (``pip install ".[plots]"``): without it, functions raise
`MissingExtraError`. Each draws into the axes `ax`, by default those of a new figure, and returns
them, so that figures can be composed.
"""

from shadematch.plots.choices import draw_choices
from shadematch.plots.feasibility import draw_comparison, draw_feasibility
from shadematch.plots.gamut import draw_outlines, draw_slice, draw_whole
from shadematch.plots.ladder import draw_ladder
from shadematch.plots.layers import draw_layers, draw_wedge
from shadematch.plots.match import draw_batches, draw_match, draw_same_look
from shadematch.plots.outcome import draw_correction, draw_spread
from shadematch.plots.plan import draw_plan
from shadematch.plots.solid import Turning, draw_solid, turning
from shadematch.plots.walk import Walk, walk

__all__ = [
    "Turning",
    "Walk",
    "draw_batches",
    "draw_choices",
    "draw_comparison",
    "draw_correction",
    "draw_feasibility",
    "draw_ladder",
    "draw_layers",
    "draw_match",
    "draw_outlines",
    "draw_plan",
    "draw_same_look",
    "draw_slice",
    "draw_solid",
    "draw_spread",
    "draw_wedge",
    "draw_whole",
    "turning",
    "walk",
]
