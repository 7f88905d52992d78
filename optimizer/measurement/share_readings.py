"""Readings of one share of n runs, such as that of the middlings, on the logit scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from optimizer.measurement.counting import logit_reading_of
from optimizer.measurement.propagation import BoolArray, FloatArray, packed
from optimizer.measurement.run_readings import clip_logit, share_reading, usual_variance


@dataclass(frozen=True)
class ShareReadings:
    """Readings of one share, each attribute of shape (n,) and NaN where nothing is known.

    Attributes:
        share: readings as fractions.
        se: standard errors as they are stated, fractions.
        logit: the readings on the logit scale, finite also at 0 and 1.
        variance: variances of the errors of the logits; 0 where the noise of all readings is to
            account for them.
    """

    share: FloatArray
    se: FloatArray
    logit: FloatArray
    variance: FloatArray

    @classmethod
    def from_shares(cls, share: ArrayLike, se: ArrayLike = np.nan) -> ShareReadings:
        """Readings that are stated as fractions, treated as those of a recovery are
        (``RunReadings.from_shares`` and ``with_usual_errors``).

        Args:
            share: fractions 0 to 1, shape (n,); NaN where missing.
            se: standard errors as fractions, a shape that broadcasts; NaN or 0 where not stated.

        >>> found = ShareReadings.from_shares([0.08, np.nan], 0.01)
        >>> found.measured.tolist(), round(float(found.variance[0]), 4)
        ([True, False], 0.0184)
        """
        p, stated = np.moveaxis(packed(share, se), -1, 0)
        error, logit, variance = share_reading(p, stated, np.full_like(p, np.nan))
        logit = np.where(np.isnan(p), np.nan, logit)
        return cls(p, error, logit, usual_variance(p, variance, error))

    @classmethod
    def joined(cls, parts: Sequence[ShareReadings]) -> ShareReadings:
        """Joins the readings of several sets of runs, one set after the other."""
        names = [f.name for f in fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    @property
    def measured(self) -> BoolArray:
        """Which runs have a reading, shape (n,)."""
        return np.isfinite(self.share)

    def take(self, rows: BoolArray) -> ShareReadings:
        """The readings of the runs of a mask or index."""
        return ShareReadings(*(getattr(self, f.name)[rows] for f in fields(self)))

    def given(self, expected: FloatArray) -> ShareReadings:
        """Computes logits and variances again, given the logits that a model expects, shape (n,).

        A variance that is computed from a reading itself is correlated with its error, so that low
        readings of a small share would count too little (`logit_reading`).
        """
        logit, variance = np.array(self.logit), np.array(self.variance)
        k = self.se > 0
        logit[k], variance[k] = logit_reading_of(self.share[k], self.se[k], clip_logit(expected)[k])
        return replace(self, logit=clip_logit(logit), variance=variance)
