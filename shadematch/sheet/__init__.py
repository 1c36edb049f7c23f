"""One page to work by, as text and for print.

Tells what others have computed.
"""
