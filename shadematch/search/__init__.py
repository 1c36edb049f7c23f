"""Whole and real-valued doses that come nearest a colour, with proof.

Knows arrays of doses and their colours; no words, no files.
"""
