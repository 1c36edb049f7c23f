"""A batch that came out off: what is really in it, and what to add.

Knows one batch at a time; what many batches teach is the journal's.
"""
