"""Distinct rows of a long array that has few of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

if TYPE_CHECKING:
    from numpy.typing import NDArray


_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


def distinct_rows(rows: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distinct rows in lexicographic order, shape (k, d), and the index of each row in them, (n,).

    The result equals that of ``np.unique(rows, axis=0, return_inverse=True)`` and takes a fraction
    of the time: each row is hashed to one word, and only distinct rows are sorted. Where two
    different rows happen to have equal words, ``np.unique`` is called instead.

    Args:
        rows: the rows, shape (n, d).

    >>> points, which = distinct_rows(np.array([[2.0, 1.0], [0.0, 3.0], [2.0, 1.0]]))
    >>> points.tolist(), which.tolist()
    ([[0.0, 3.0], [2.0, 1.0]], [1, 0, 1])
    """
    exact = np.ascontiguousarray(rows, dtype=np.float64) + 0.0  # makes -0.0 equal to 0.0
    words = np.zeros(len(exact), np.uint64)
    for column in exact.T:
        words = (words ^ np.ascontiguousarray(column).view(np.uint64)) * _ODD
        words ^= words >> _SHIFT
    which = pa.array(words).dictionary_encode().indices.to_numpy().astype(np.int64)
    first = np.empty(int(which.max(initial=-1)) + 1, np.int64)
    first[which[::-1]] = np.arange(len(which))[::-1]
    points, order = np.unique(exact[first], axis=0, return_inverse=True)
    which = order.reshape(-1)[which]  # numpy 2.0.0 gives the inverse a second axis
    if not np.array_equal(points[which], exact):
        points, which = np.unique(exact, axis=0, return_inverse=True)
    return points, which.reshape(-1)
