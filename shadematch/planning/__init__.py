"""An order book and a shelf: which recipes, how many bars, what to buy.

Takes recipes from the searches; adds money and tubes.
"""
