"""From a photo to a target and its uncertainty.

Knows cameras, charts and paper; no recipe.
"""
