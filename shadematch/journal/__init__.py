"""A studio's book of batches, and what every finished bar teaches of its pastes and bases.

It knows events in a file (`events`, `book`), what was in the tubes (`batches`), and one belief
about all that is not known (`unknowns`, `seeing`, `learning`, `noise`, `odd`, `belief`), which
begins wide and is made surer by each bar. It knows nothing of money and orders.
"""
