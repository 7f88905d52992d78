"""Grade and recovery as functions of settings and material, learned from runs.

In come set-points with readings; out comes a fitted surrogate (see ``fitted_surrogate``): two
Gaussian processes, of sharpness and balance, as one joint normal. This package also holds the
coordinates in which the response of a deck is simple, the priors of a deck, and a classifier of the
settings at which the deck runs even.
"""
