"""What can be made at all: gamuts, feasibility, ladders.

The package is not called `gamut`: Python would hide the public function of that name.
"""
