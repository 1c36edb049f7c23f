"""Files: recipes, batches, targets, tables, samples and schemas.

Reads and writes them; computes nothing that a file does not say.
"""
