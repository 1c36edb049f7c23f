"""Your own pastes from measured test pours: spectra, their uncertainty, pours that don't fit.

Knows pours and readings; knows nothing of orders, stock or files of recipes.
"""
