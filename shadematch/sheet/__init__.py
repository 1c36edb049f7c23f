"""The batch sheet: one page to work by, as text and for print.

Lays out what others have computed.
"""
