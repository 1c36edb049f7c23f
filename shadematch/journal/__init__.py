"""A studio's book of batches, and what every finished bar teaches of its pastes and bases.

It knows events in a file (`events`, `book`), what was in the tubes (`batches`), and one belief
about everything uncertain (`unknowns`, `seeing`, `learning`, `noise`, `odd`, `belief`), which
starts wide and narrows with each bar. It knows nothing of money and orders.
"""
