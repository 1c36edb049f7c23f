"""An order book and a shelf: which recipes, how many bars, what to buy.

Knows money, bars and tubes; knows no colours but those that `matching` gives.
"""
