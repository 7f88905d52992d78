"""From readings over time to runs: finds when the deck had settled, and averages later readings.

After a change of settings the bed forms anew, and the first readings belong to the transition, not
to the new settings. A stretch is a sequence of readings of one line at unchanged settings without a
long gap (see ``division``). The steady part of a stretch ends with the stretch and begins where
two rules are met:

* successive readings of grade and of recovery differ from each other as much as any two readings of
  the part. This is the ratio test of [Neumann1941]_, on which the steady-state test of
  [CaoRhinehart1995]_ is built, with the distribution of [Young1941]_: while a deck drifts or surges
  slowly, neighbors are alike.
* of the beginnings that pass the test, the one with the smallest standard errors is chosen
([White1997]_).

At most half of a stretch is discarded ([Hoad2010]_). When no beginning in its first half passes,
the run is made from the later half and flagged as not settled. With few readings the test misses a
slow drift that is small relative to their scatter; it flags one steady stretch in twenty.

With x the n readings of a part and ``C = 1 - sum (x[k+1]-x[k])^2 / 2 sum (x[k]-mean)^2``, the test
takes ``(1 + C) / 2`` as beta distributed with both parameters ``((n^2 - 1) / (n - 2) - 1) / 2``.
The standard error of a mean is ``s / sqrt(n')`` with ``n' = n (1 - r) / (1 + r)``
[BayleyHammersley1946]_, where r is the correlation of neighbors, or 0 if that is negative. The
standard error is never taken below the value that the counts or errors of the readings imply.

.. [Neumann1941] J. von Neumann, "Distribution of the ratio of the mean square successive
   difference to the variance", Annals of Mathematical Statistics 12(4), 1941.
.. [Young1941] L. C. Young, "On randomness in ordered sequences", Annals of Mathematical
   Statistics 12(3), 1941.
.. [CaoRhinehart1995] S. Cao, R. R. Rhinehart, "An efficient method for on-line identification of
   steady state", Journal of Process Control 5(6), 1995.
.. [White1997] K. P. White, "An effective truncation heuristic for bias reduction in simulation
   output", Simulation 69(6), 1997.
.. [Hoad2010] K. Hoad, S. Robinson, R. Davies, "Automating warm-up length estimation", Journal of
   the Operational Research Society 61(9), 2010.
.. [BayleyHammersley1946] G. V. Bayley, J. M. Hammersley, "The 'effective' number of independent
   observations in an autocorrelated time series", Supplement to the Journal of the Royal
   Statistical Society 8(2), 1946.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.plant.run_columns import EVEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]

FEWEST = 4
"""Smallest number of readings for the test; a trend in fewer readings may be due to chance."""
LEVEL = 0.2
"""Chance of rejecting a beginning of a steady stretch, for grade and recovery together."""
_MEASURED = ("grade", "recovery")


def chance(values: Floats) -> float:
    """Chance that readings of a steady deck are at least as similar to their neighbors as these.

    Args:
        values: readings in the order of time, shape (n,), n at least 3.

    >>> chance(np.array([0.90, 0.92, 0.94, 0.95, 0.96, 0.965])) < 0.01
    True
    >>> round(chance(np.array([0.96, 0.95, 0.965, 0.955, 0.962, 0.951])), 1)
    1.0
    """
    from scipy.special import betainc  # noqa: PLC0415 - no other load needs scipy, 0.1 s

    n = len(values)
    scatter = float(np.sum((values - values.mean()) ** 2))
    if scatter == 0.0:
        return 1.0
    alike = 1.0 - float(np.sum(np.diff(values) ** 2)) / (2.0 * scatter)
    shape = ((n * n - 1.0) / (n - 2.0) - 1.0) / 2.0
    return float(betainc(shape, shape, np.clip((1.0 - alike) / 2.0, 0.0, 1.0)))


def steady_part(stretch: pa.Table) -> tuple[int, bool | None]:
    """Position where the steady part of a stretch begins, and whether it is steady; None if
    unknown."""
    n = len(stretch)
    measured = [floats(stretch, name) for name in _MEASURED]
    if n < FEWEST or any(np.isnan(values).any() for values in measured):
        return 0, None
    half = n // 2
    passing = [
        first
        for first in range(min(half, n - FEWEST) + 1)
        if all(chance(values[first:]) > LEVEL / len(measured) for values in measured)
    ]
    if not passing:
        return half, False
    return min(passing, key=lambda first: sum(_log_error(v[first:]) for v in measured)), True


def _log_error(values: Floats) -> float:
    """Logarithm of the squared standard error of a mean, in the definition of [White1997]_."""
    n = len(values)
    # Without scatter the logarithm would be infinite; this is the smallest difference that a log
    # shows.
    return float(np.log(np.sum((values - values.mean()) ** 2) / n**2 + 1e-16))


def averaged_run(part: pa.Table, settled: bool | None) -> dict[str, Any]:
    """The run from the averaged readings of one stretch.

    Args:
        part: the readings, of which some may hold only settings and others only results.
        settled: whether the deck had settled; None if unknown.
    """
    run = part.slice(0, 1).to_pylist()[0]
    for field in part.schema:
        if pa.types.is_floating(field.type):
            filled = floats(part, field.name)
            filled = filled[~np.isnan(filled)]
            run[field.name] = _mean(filled) if len(filled) else None
    counts = part["grade_count"]
    run["grade_count"] = pc.sum(counts).as_py()
    # One sample of the feed often serves a whole stretch: averaging does not reduce its error.
    run["feed_grade_count"] = pc.min(part["feed_grade_count"]).as_py()
    for name in ("material", "note"):
        run[name] = next((text for text in part[name].to_pylist() if text), None)
    states = part["deck_state"].to_pylist()
    run["deck_state"] = next((state for state in states if state != EVEN), EVEN)
    ids = set(part["run_id"].to_pylist()) - {None}
    run["run_id"] = ids.pop() if len(ids) == 1 else None
    run["samples"], run["settled"] = len(part), settled
    grade, recovery = (part[name].is_valid() for name in _MEASURED)
    measured = part.filter(pc.or_(grade, recovery))
    if len(measured) > 1:
        for name in _MEASURED:
            run[f"{name}_se"] = _error_of_mean(measured, name)
    return run


def _mean(values: Floats) -> float:
    """The mean, which for equal values is exactly that value."""
    return float(values[0] if (values == values[0]).all() else values.mean())


def _error_of_mean(part: pa.Table, name: str) -> float | None:
    """Standard error of the mean of a fraction."""
    values, errors = floats(part, name), floats(part, f"{name}_se")
    values = values[~np.isnan(values)]
    n = len(values)
    if n < 2:
        return None
    centred = values - values.mean()
    scatter = float(np.sum(centred**2))
    r = float(np.sum(centred[1:] * centred[:-1])) / scatter if scatter > 0 else 0.0
    independent = n * (1.0 - max(r, 0.0)) / (1.0 + max(r, 0.0))
    found = [np.sqrt(scatter / (n - 1) / independent)]
    if not np.isnan(errors).any():
        found.append(float(np.sqrt(np.sum(errors**2))) / len(errors))
    count = pc.sum(part["grade_count"]).as_py() if name == "grade" else None
    if count and part["grade_count"].null_count == 0:
        mean = float(values.mean())
        found.append(np.sqrt(mean * (1.0 - mean) / count))
    # One half is the largest standard deviation of a fraction.
    return float(min(max(found), 0.5)) or None


def floats(table: pa.Table, name: str) -> Floats:
    """A column of numbers, NaN where it is empty, shape (n,)."""
    return np.asarray(table[name].to_numpy(), dtype=np.float64)
