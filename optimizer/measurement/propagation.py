"""First-order propagation of errors, and the refusal of impossible measurements.

A formula is a function of arrays. Its exact derivatives are computed by a complex step, so that no
derivative has to be written by hand, where it could disagree with the formula.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import InputError

FloatArray: TypeAlias = NDArray[np.float64]
# Real, or complex while `jacobian` takes its step.
AnyArray: TypeAlias = NDArray[Any]
BoolArray: TypeAlias = NDArray[np.bool_]
TextArray: TypeAlias = NDArray[np.str_]
Formula: TypeAlias = Callable[[AnyArray], AnyArray]
OnImpossible: TypeAlias = Literal["raise", "mask"]

# A complex step involves no subtraction, so it may be far below rounding: the derivative is exact.
COMPLEX_STEP = 1e-50


def jacobian(formula: Formula, x: FloatArray) -> FloatArray:
    """Exact first derivatives of an analytic formula.

    df_i/dx_j = Im f_i(x + i h e_j) / h, with h so small that h² vanishes.

    Args:
        formula: maps (..., p) to (..., q) with analytic operations only (no abs, no comparison).
        x: (..., p), the point.

    Returns:
        (..., q, p).

    Source: W. Squire and G. Trapp, SIAM Review 40 (1998) 110-112 (from memory).

    >>> jacobian(lambda x: x**2, np.array([3.0, 4.0])).tolist()
    [[6.0, 0.0], [0.0, 8.0]]
    """
    steps = x[..., None, :] + 1j * COMPLEX_STEP * np.eye(x.shape[-1])
    with np.errstate(all="ignore"):
        slopes: FloatArray = np.swapaxes(formula(steps).imag / COMPLEX_STEP, -1, -2)
    return slopes


def standard_errors(
    slopes: FloatArray, se: ArrayLike, covariance: ArrayLike | None = None
) -> FloatArray:
    """Standard errors of formulas with these slopes: the root of diag(J Σ Jᵀ).

    Args:
        slopes: (..., q, p), from `jacobian`.
        se: (..., p) standard errors of the inputs; an unknown one (NaN) makes the result NaN.
        covariance: (..., p, p), used instead of ``se`` when given.

    Returns:
        (..., q).

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.5.5.

    >>> standard_errors(np.array([[3.0, 4.0]]), [1.0, 1.0]).tolist()
    [5.0]
    """
    if covariance is None:
        variance = np.square(slopes * np.asarray(se, dtype=float)[..., None, :]).sum(axis=-1)
    else:
        sigma = np.asarray(covariance, dtype=float)
        variance = np.einsum("...qi,...ij,...qj->...q", slopes, sigma, slopes)
    # Where errors cancel, rounding can make a variance negative.
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def packed(*parts: ArrayLike) -> FloatArray:
    """Broadcast the parts against each other and stack them on a new last axis."""
    arrays = np.broadcast_arrays(*(np.asarray(part, dtype=float) for part in parts))
    return np.stack(arrays, axis=-1)


def reasons(*tests: tuple[BoolArray | np.bool_, str]) -> TextArray:
    """For each cell, the text of the first test that is True; empty where none is."""
    conditions = [np.asarray(test) for test, _ in tests]
    return np.select(conditions, [text for _, text in tests], default="")


def refuse(reason: TextArray, errors: OnImpossible, given: Mapping[str, ArrayLike]) -> None:
    """Raise for the first impossible cell, unless impossible cells are to be masked.

    Raises:
        InputError: a reason is not empty and ``errors`` is ``"raise"``.
    """
    if errors == "mask" or not np.any(reason != ""):
        return
    where = np.unravel_index(int(np.argmax(reason != "")), reason.shape)
    values = {
        name: np.broadcast_to(np.asarray(value, dtype=float), reason.shape)[where]
        for name, value in given.items()
    }
    listed = ", ".join(f"{name} {value:g}" for name, value in values.items())
    place = f" at element {','.join(map(str, map(int, where)))}" if where else ""
    raise InputError(
        f"impossible measurement{place} ({listed}): {reason[where]}.",
        code="impossible-measurement",
        hint='Check the samples, or pass errors="mask" to get NaN and the reason in such cells.',
    )
