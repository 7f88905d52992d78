"""Functions on arrays that several rooms use.

Cholesky factors, distinct rows of long arrays, low-discrepancy points, fingerprints. No function
here depends on plants or models.
"""
