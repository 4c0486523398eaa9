"""A guided session at the layout."""

WAIT_S = 60.0  # a step in which nothing happens ends after this
