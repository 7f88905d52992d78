"""Grade and recovery over settings and material.

Two Gaussian processes, of sharpness and balance, joined; the coordinates in which a deck is simple,
what is expected of a deck before any run, and where it runs even.
"""
