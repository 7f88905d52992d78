"""The result of one balanced test as a frozen record, and its JSON form."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

OF_MIDDLINGS = ("middlings_share", "middlings_share_se", "middlings_grade", "middlings_grade_se")
"""Attributes of a result that tell of middlings, and the columns that a run log has for them."""


@dataclass(frozen=True)
class AdjustedStream:
    """Balanced and measured values of one stream; NaN where a value is not known."""

    stream: str
    mass: float
    mass_se: float
    assay: float
    assay_se: float
    measured_mass: float
    measured_assay: float


@dataclass(frozen=True)
class BalanceResult:
    """Result of one test; fractions, NaN where not determined.

    Attributes:
        test_id: id of the test in the table.
        method: ``weighed``, ``two-product``, ``solved`` (exactly determined in another way),
            ``reconciled``, ``undetermined`` or ``impossible``.
        grade, recovery, yield_: grade, recovery and yield of the product, with standard errors.
        grade_count, feed_grade_count: number of particles counted for the assays of product and
            feed.
        feed_grade: balanced grade of the feed, with its standard error.
        grade_recovery_correlation, grade_feed_correlation, recovery_feed_correlation: correlations
            of the errors of grade, recovery and feed grade, which follow from the same
            measurements; NaN where one of the two errors is unknown or zero.
        enrichment: grade of the product over grade of the feed.
        separation_efficiency: recovery of wanted minus that of unwanted material.
        middlings_share, middlings_grade: mass of the middlings over that of the feed, and their
            grade, with standard errors; None where the test has no middlings, or returns them.
        missing_mass: mass of the feed less that of all outlets, as weighed, in the unit of the
            table; below zero where more leaves than was fed, NaN where one was not weighed.
        missing_share: this mass over that of the feed.
        chi2, dof, p_value: closure of the redundant balances.
        suspect: the measurement that is most likely wrong; several if the balances cannot
            distinguish them.
        adjusted: balanced and measured values of the streams.
        warnings: assumptions and doubts about the figures.
    """

    test_id: str
    method: str
    grade: float = math.nan
    grade_se: float = math.nan
    grade_count: float = math.nan
    recovery: float = math.nan
    recovery_se: float = math.nan
    yield_: float = math.nan
    yield_se: float = math.nan
    feed_grade: float = math.nan
    feed_grade_se: float = math.nan
    feed_grade_count: float = math.nan
    grade_recovery_correlation: float = math.nan
    grade_feed_correlation: float = math.nan
    recovery_feed_correlation: float = math.nan
    enrichment: float = math.nan
    separation_efficiency: float = math.nan
    middlings_share: float | None = None
    middlings_share_se: float | None = None
    middlings_grade: float | None = None
    middlings_grade_se: float | None = None
    missing_mass: float = math.nan
    missing_share: float = math.nan
    chi2: float = math.nan
    dof: int = 0
    p_value: float = math.nan
    suspect: str | None = None
    adjusted: tuple[AdjustedStream, ...] = ()
    warnings: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """JSON form: ``yield_`` as ``yield``, NaN as None, middlings only where there are any."""

        def plain(value: Any) -> Any:
            if isinstance(value, dict):
                return {key.rstrip("_"): plain(item) for key, item in value.items()}
            if isinstance(value, (list, tuple)):
                return [plain(item) for item in value]
            return None if isinstance(value, float) and math.isnan(value) else value

        without = () if self.of_middlings else OF_MIDDLINGS
        answer: dict[str, Any] = plain(asdict(self))
        return {key: value for key, value in answer.items() if key not in without}

    @property
    def of_middlings(self) -> dict[str, float]:
        """Share and grade of the middlings with their errors, by name; empty where the test has
        no middlings as a product of their own."""
        values = {name: getattr(self, name) for name in OF_MIDDLINGS}
        return {name: value for name, value in values.items() if value is not None}
