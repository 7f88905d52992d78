"""One quantity as a Gaussian process of replicated, noisy readings.

In come set-points in unit coordinates with readings and their known errors; out comes a posterior.
Kernel, mean, noise and solver are its parts; it knows nothing of plants.
"""
