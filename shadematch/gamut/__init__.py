"""What can be made at all: the solid of reachable colours, maps of it, feasibility, ladders."""
