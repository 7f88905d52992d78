"""Points at which a process is evaluated, with stored results that were computed from them."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


class Inputs:
    """Points, shape (n, d), which never change, and results computed from them.

    A posterior is evaluated at the same points many times. Each result is stored under a key that
    is compared by value and holds everything that the result depends on besides the points.
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self._levels: dict[int, tuple[Floats, Indices]] = {}
        self._results: dict[Hashable, Any] = {}

    @classmethod
    def of(cls, A: ArrayLike | Inputs) -> Inputs:
        """``Inputs`` as they are, or made from an array of shape (n, d) or (d,)."""
        return A if isinstance(A, Inputs) else cls(np.atleast_2d(np.asarray(A, dtype=float)))

    def __reduce__(self) -> tuple[type[Inputs], tuple[Floats]]:
        """A copy or a pickle holds the points alone; results are computed again where needed."""
        return Inputs, (self.values,)

    def __len__(self) -> int:
        return len(self.values)

    def remember(self, key: Hashable, compute: Callable[[], Any]) -> Any:
        """The result stored under ``key``; where none is stored yet, it is computed and stored.

        Args:
            key: a value, never a bound method or an object that is compared by identity: a model
                that is fitted again must not find the results of its old fit.
            compute: function that computes the result.
        """
        if key not in self._results:
            self._results[key] = compute()
        return self._results[key]

    def levels(self, j: int) -> tuple[Floats, Indices]:
        """Distinct values of input j, and the index of each point's value, shape (n,).

        Settings lie on a lattice, so thousands of points share a few dozen levels of an input.
        Looking up an exponential by level is many times faster than evaluating it at every point.
        """
        if j not in self._levels:
            levels, indices = np.unique(self.values[:, j], return_inverse=True)
            self._levels[j] = levels, indices.ravel()
        return self._levels[j]
