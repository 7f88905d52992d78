"""A short value that tells arrays apart by their contents."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def fingerprint(*arrays: NDArray[np.float64]) -> bytes:
    """A digest of the shapes and values of arrays: equal for equal arrays, else different.

    >>> fingerprint(np.zeros(2)) == fingerprint(np.zeros(2))
    True
    >>> fingerprint(np.zeros((1, 2))) == fingerprint(np.zeros((2, 1)))
    False
    """
    digest = hashlib.blake2b(digest_size=16)
    for array in arrays:
        digest.update(repr(array.shape).encode())
        digest.update(np.ascontiguousarray(array, dtype=np.float64).tobytes())
    return digest.digest()
