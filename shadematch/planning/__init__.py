"""From an order book and the tubes on the shelf to what is poured, how, and what is bought."""
