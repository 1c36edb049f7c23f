"""What can be made at all.

The package is not called `gamut`, since that is the public verb, which Python would cover.
"""
