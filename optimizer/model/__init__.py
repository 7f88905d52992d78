"""Grade and recovery as functions of settings and material, learned from runs.

In come set-points with readings; out comes a fitted surrogate (see ``fitted_surrogate``): two
Gaussian processes, of sharpness and balance, as one joint normal. Besides it, the coordinates in
which a deck is simple, its priors, and a classifier of the settings at which it runs even.
"""
