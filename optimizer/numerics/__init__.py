"""Functions on arrays that several rooms use.

Cholesky factors, distinct rows of long arrays, low-discrepancy points, fingerprints. Nothing here
knows of plants or of models.
"""
