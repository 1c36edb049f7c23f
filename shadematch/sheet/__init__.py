"""The batch sheet: one page to work by, as text and for print.

Knows paper, words and rulers; knows only what others have computed.
"""
