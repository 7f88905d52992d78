"""What a balanced test says of the feed and the product, of the fresh feed where streams return.

In comes a `StreamBalance`; out comes a `Split`. Where the feed was sampled after streams had joined
it, the balance is that of one pass over the deck. In steady state as much comes back as goes round,
so the fresh feed is the feed of the deck less what returns. With the assay f of the deck's feed,
and for each stream its yield y and its recovery r in one pass:

    feed grade  f (1 - r_returned) / (1 - y_returned)
    recovery    r_product / (1 - r_returned)
    yield       y_product / (1 - y_returned)

These are the mass balances of the deck with its recycle (feed + returned = product + reject +
returned). Errors are first order, from the covariance of the balanced values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.measurement.balancing.streams import StreamBalance
from optimizer.measurement.propagation import FloatArray

FEED_GRADE, GRADE, RECOVERY, YIELD = range(4)
"""Positions in the arrays of a `Split`."""


@dataclass(frozen=True)
class Split:
    """Feed grade, grade, recovery and yield of a product, in this order.

    Attributes:
        values: the four values, fractions, shape (4,); NaN where not determined.
        se: their standard errors, shape (4,); NaN where not known.
        correlation: correlations of their errors, shape (4, 4); NaN where an error is unknown or
            zero.
    """

    values: FloatArray
    se: FloatArray
    correlation: FloatArray


def split_of(found: StreamBalance) -> Split:
    """The split of one pass over the deck; the first outlet is the product."""
    at = _places(found)
    return Split(_values(found)[at], _errors(found)[at], found.correlation[np.ix_(at, at)])


def of_fresh_feed(found: StreamBalance, returned: Sequence[int]) -> Split:
    """The split of the fresh feed, where the feed was sampled after streams had joined it.

    Args:
        found: balance of the deck, its feed first, then its product.
        returned: positions of the streams that go back to the feed, at least one.
    """
    s, k = len(found.names), len(returned)
    at = [*_places(found), *(2 * s + i for i in returned), *(3 * s + i for i in returned)]
    values, se = _values(found)[at], _errors(found)[at]
    feed, grade, recovery, yield_ = values[:4]
    mass, wanted = 1.0 - values[4 : 4 + k].sum(), 1.0 - values[4 + k :].sum()
    with np.errstate(all="ignore"):
        fresh = np.array([feed * wanted / mass, grade, recovery / wanted, yield_ / mass])
        slopes = np.zeros((4, len(at)))
        slopes[FEED_GRADE, FEED_GRADE] = wanted / mass
        slopes[FEED_GRADE, 4 : 4 + k] = feed * wanted / mass**2
        slopes[FEED_GRADE, 4 + k :] = -feed / mass
        slopes[GRADE, GRADE] = 1.0
        slopes[RECOVERY, RECOVERY] = 1.0 / wanted
        slopes[RECOVERY, 4 + k :] = recovery / wanted**2
        slopes[YIELD, YIELD] = 1.0 / mass
        slopes[YIELD, 4 : 4 + k] = yield_ / mass**2
        # The correlation with a value that has no error is undefined, their covariance is zero.
        covariance = np.where(
            np.outer(se, se) == 0, 0.0, found.correlation[np.ix_(at, at)] * np.outer(se, se)
        )
        own = slopes @ np.where(np.isnan(covariance), 0.0, covariance) @ slopes.T
        unknown = (slopes != 0) @ np.isnan(se).astype(float) > 0
        errors = np.where(unknown, np.nan, np.sqrt(np.maximum(np.diag(own), 0.0)))
        sized = np.where(errors > 0, errors, np.nan)
        correlation = np.clip(own / np.outer(sized, sized), -1.0, 1.0)
    return Split(fresh, errors, correlation)


def _places(found: StreamBalance) -> list[int]:
    """Positions, among the values of a balance, of the four values of a split."""
    s = len(found.names)
    return [s, s + 1, 3 * s + 1, 2 * s + 1]


def _values(found: StreamBalance) -> FloatArray:
    """Masses, assays, yields and recoveries of the s streams, shape (4 s,)."""
    parts = [found.mass, found.assay[:, 0], found.yield_, found.recovery[:, 0]]
    return np.concatenate(parts)


def _errors(found: StreamBalance) -> FloatArray:
    """Standard errors of these values, shape (4 s,)."""
    parts = [found.mass_se, found.assay_se[:, 0], found.yield_se, found.recovery_se[:, 0]]
    return np.concatenate(parts)
