"""The whole and real-valued doses closest to a colour, with proof.

Knows arrays of doses and their colours; knows no words and no files.
"""
