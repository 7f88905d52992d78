"""Cholesky factors of covariances, what is solved by them, and the same of stacks of matrices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.linalg import blas, lapack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Added to the diagonal relative to its mean, in turn, until the factor exists.
JITTERS = (0.0, 1e-10, 1e-8, 1e-6, 1e-4)


def factorize(matrix: Floats) -> Floats:
    """Lower Cholesky factor, with as little jitter as makes it exist; of one or of a stack.

    Raises:
        numpy.linalg.LinAlgError: when even the largest jitter does not help.
    """
    if matrix.ndim > 2:
        try:
            return np.asarray(np.linalg.cholesky(matrix))
        except np.linalg.LinAlgError:
            return np.array([factorize(m) for m in matrix])
    scale = float(np.mean(np.diag(matrix)))
    for jitter in JITTERS:
        try:
            more = matrix + jitter * scale * np.eye(len(matrix)) if jitter else matrix
            lower: Any = np.linalg.cholesky(more)
            return lower
        except np.linalg.LinAlgError:
            continue
    raise np.linalg.LinAlgError("covariance is not positive definite, whatever the jitter")


def solve_lower(lower: Floats, b: Floats) -> Floats:
    """Inverse of a lower factor, (n, n), times b, shape (n, m) or (n,); or of a stack of them."""
    if lower.ndim > 2:
        return np.array([solve_lower(*each) for each in zip(lower, b, strict=True)])
    # Transposed both lie as BLAS wants them: x' L' = b'.
    columns = b.T if b.ndim == 2 else b[None, :]
    x = blas.dtrsm(1.0, lower.T, columns, side=1)
    return np.asarray(x.T if b.ndim == 2 else x[0])


def weigh(weights: Floats, rows: Floats) -> Floats:
    """Sum of rows, (n, m), each times its weight, (n,); of one or of a stack."""
    return np.asarray((weights[..., None, :] @ rows)[..., 0, :])


def flipped(matrix: Floats) -> Floats:
    """Transposed, of one or of a stack."""
    return np.swapaxes(matrix, -1, -2)


def inverse(lower: Floats) -> Floats:
    """Inverse of the matrix with Cholesky factor ``lower``, shape (n, n), 0 above its diagonal."""
    # Transposed it lies as LAPACK wants it, and the triangle that is not worked on stays 0.
    half, _ = lapack.dpotri(lower.T, lower=0)
    whole: Any = half + half.T
    whole[np.diag_indices(len(whole))] *= 0.5
    return whole
