"""The command line: words in, calls of the library, text out.

Computes nothing by itself.
"""
