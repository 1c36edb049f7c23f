"""The command line: words in, calls of the library, text out.

Knows words, options and the terminal; knows no arithmetic of its own.
"""
