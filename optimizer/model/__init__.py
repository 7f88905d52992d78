"""Grade and recovery as functions of settings and material, learned from runs.

In come set-points with readings; out comes a fitted surrogate (see ``fitted_surrogate``): an
average over several descriptions of a deck, each a pair of Gaussian processes with one joint
normal. This package also holds the coordinates in which the response of a deck is simple, the
priors of each description, the weights of runs and of descriptions, the correction of a chance for
selection, and a classifier of the settings at which the deck runs even.
"""
