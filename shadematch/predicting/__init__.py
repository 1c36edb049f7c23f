"""From a recipe to its colour, and how far the colour may stray.

The one bridge from models to arrays; searches for nothing.
"""
