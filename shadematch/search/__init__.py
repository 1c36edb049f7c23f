"""From a target to the best doses: continuous, then whole, with proof."""
