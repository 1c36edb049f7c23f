"""How soap reflects and transmits: the exact solution, its table, one fast layer, stacks of layers.

Knows absorption, scattering, thickness and backing; no pastes, no colours.
"""
