"""What people type in: palettes, pours, views, recipes and targets.

Knows what is permitted; knows no optics but what paste chips need.
"""
