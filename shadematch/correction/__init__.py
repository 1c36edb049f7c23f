"""A batch that came out off: what is really in it, and what to add.

Knows one batch at a time; knows nothing of other batches, which are the journal's.
"""
