"""One quantity as a Gaussian process of replicated, noisy readings.

In come set-points in unit coordinates with readings and their known errors; out comes a posterior.
A process is made of parts: kernel, mean, noise, solver and the choice of hyperparameters. No module
here depends on anything about plants.
"""
