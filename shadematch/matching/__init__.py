"""From a target to recipes: the question, its answer, and what would bring it closer.

Puts the searches in words and finds nothing by itself.
"""
