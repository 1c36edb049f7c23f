"""From a target to recipes: the question, the answer, and what would bring it closer.

Knows the question and puts what `search` finds into recipes and words; knows no measurements, no
shelf and no files.
"""
