"""Cholesky factors of covariances and solutions by them, for one matrix or a stack of matrices.

A stack has one more axis in front: shape (k, n, n) instead of (n, n).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.linalg import blas, lapack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Jitters, relative to the mean of the diagonal, that are added to the diagonal one after the other
# until the factor exists.
JITTERS = (0.0, 1e-10, 1e-8, 1e-6, 1e-4)


def factorize(matrix: Floats) -> Floats:
    """Lower Cholesky factor of a matrix, (n, n), or of each in a stack, with the least jitter.

    Raises:
        numpy.linalg.LinAlgError: when the factor does not exist even with the largest jitter.
    """
    if matrix.ndim > 2:
        try:
            return np.asarray(np.linalg.cholesky(matrix))
        except np.linalg.LinAlgError:
            return np.array([factorize(m) for m in matrix])
    for jitter in JITTERS:
        try:
            more = matrix
            if jitter:
                scale = float(np.mean(np.diag(matrix)))
                more = matrix + jitter * scale * np.eye(len(matrix))
            lower: Any = np.linalg.cholesky(more)
            return lower
        except np.linalg.LinAlgError:
            continue
    raise np.linalg.LinAlgError("The covariance is not positive definite with any jitter.")


def solve_lower(lower: Floats, b: Floats) -> Floats:
    """Inverse of a lower factor, (n, n), times b, (n, m) or (n,), or of a stack; shape of b."""
    if lower.ndim > 2:
        return np.array([solve_lower(*each) for each in zip(lower, b, strict=True)])
    # The transposed arrays have the memory layout of BLAS: x' L' = b'.
    columns = b.T if b.ndim == 2 else b[None, :]
    x = blas.dtrsm(1.0, lower.T, columns, side=1)
    return np.asarray(x.T if b.ndim == 2 else x[0])


def solve_upper(lower: Floats, b: Floats) -> Floats:
    """Inverse of the transpose of a lower factor, (n, n), times b, shape (n,)."""
    # The wrapper in scipy takes longer than the solution of a small system.
    x, _ = lapack.dtrtrs(lower.T, b, lower=0, trans=0)
    return np.asarray(x)


def weighted_sum(weights: Floats, rows: Floats) -> Floats:
    """Sum, shape (m,), of rows, (n, m), each multiplied by its weight, (n,); or of a stack."""
    return np.asarray((weights[..., None, :] @ rows)[..., 0, :])


def transposed(matrix: Floats) -> Floats:
    """The transpose of a matrix, or of each matrix of a stack."""
    return np.swapaxes(matrix, -1, -2)


def diagonal_of(matrix: Floats) -> Floats:
    """The diagonal of a matrix, (n, n), as an array, (n,), through which the matrix is changed."""
    diagonal: Any = np.einsum("ii->i", matrix)
    return diagonal


def inverse(lower: Floats) -> Floats:
    """Inverse of the matrix whose lower Cholesky factor is ``lower``, shape (n, n)."""
    # The transpose has the memory layout of LAPACK, and its other triangle remains 0.
    half, _ = lapack.dpotri(lower.T, lower=0)
    whole: Any = half + half.T
    diagonal_of(whole)[:] *= 0.5
    return whole
