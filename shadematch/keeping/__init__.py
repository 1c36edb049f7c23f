"""What is kept in files: recipes, batches, targets, tables, samples and schemas.

Computes nothing that a file does not say.
"""
