"""Files: recipes, batches, targets, tables, samples and schemas.

Knows the forms of files and what a changed palette does to a kept recipe; knows no search.
"""
