"""What people type in: palettes, pours, views, recipes and targets.

Knows what is permitted, and no optics.
"""
