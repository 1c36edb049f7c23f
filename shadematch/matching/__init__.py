"""From a target to recipes: the question, the answer, and what would bring it closer.

Turns search results into recipes and words; the searching itself is done by `search`.
"""
