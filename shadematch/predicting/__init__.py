"""From a recipe to its colour, and how far ruler and scale make it stray.

The one bridge from models to arrays; knows of no target that is sought.
"""
