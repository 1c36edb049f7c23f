"""How a layer of soap reflects and transmits: exact transfer, its table, a fast layer, a stack.

Knows absorption, scattering, thickness and backing; no paste, no colour.
"""
