"""Words on the command line in, calls of the library, text out.

Computes nothing by itself.
"""
