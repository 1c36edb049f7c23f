"""What every room may use: frozen models, files, text tables, cards and drawings.

Knows nothing of colour, soap or recipes.
"""
