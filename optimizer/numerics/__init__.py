"""Plain functions on arrays that several rooms use.

Cholesky factors, distinct rows of long arrays, low-discrepancy points. Nothing here knows of plants
or of models.
"""
