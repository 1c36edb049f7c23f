"""What can be made at all: gamuts, feasibility, ladders.

Knows which colours doses can give; knows nothing of orders, shelves and files. It is not called
`gamut`: Python would hide the public function of that name.
"""
