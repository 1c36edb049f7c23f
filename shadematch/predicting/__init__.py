"""From a recipe to its colour, and how far the colour may stray.

Knows recipes, and turns models into arrays, the only place that does; knows no search for a recipe.
"""
