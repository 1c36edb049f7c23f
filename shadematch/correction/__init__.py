"""A batch that came out off: what it really is, and what to add.

Knows one batch at a time.
"""
