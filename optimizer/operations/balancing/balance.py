"""The command ``balance``: weighed and assayed streams become grades, recoveries and a run log."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import InputError
from optimizer.operations.balancing.stream_log import StreamLog, balance_file
from optimizer.plant.site import FEED_SAMPLED, Site


@dataclass(frozen=True)
class Balanced:
    """Balanced tests, and the run log that contains those with a grade and a recovery.

    Attributes:
        streams: the balanced tests.
        log: path of the run log, a CSV file that ``load`` accepts.
        runs: number of runs in the log.
    """

    streams: StreamLog
    log: Path
    runs: int

    def as_dict(self) -> dict[str, object]:
        """The ``highside.balance/1`` document."""
        return {**self.streams.as_dict(), "log": str(self.log), "runs": self.runs}


def balance(
    file: str | Path,
    out: str | Path = "balanced.csv",
    *,
    site: Site | None = None,
    returned: Collection[str] = (),
    feed_sampled: str | None = None,
    mass_error: float | None = None,
    assay_error: float | None = None,
) -> Balanced:
    """Balances every test of a file of streams, and writes a run log.

    Args:
        file: path of a CSV or Parquet file with one row for each stream.
        out: path of the run log to write.
        site: the plant; what is left out below is taken from its ``[measurement]``.
        returned: names of the streams that are led back to the feed.
        feed_sampled: ``before_return`` or ``after_return``: whether the feed was sampled before
            these streams join it, or after.
        mass_error, assay_error: relative standard errors of weights and of assays that state none.

    Raises:
        InputError: when the file lacks a column or cannot be read, the log cannot be written, or
            ``feed_sampled`` is none of these.
    """
    usual = (site or Site()).measurement
    sampled = usual.feed_sampled if feed_sampled is None else feed_sampled
    if sampled not in FEED_SAMPLED:
        raise InputError(f"feed_sampled '{sampled}': expected {' or '.join(FEED_SAMPLED)}.")
    streams = balance_file(
        file,
        returned=returned or usual.returned,
        sampled_after_return=sampled == "after_return",
        mass_error=usual.weighing_error if mass_error is None else mass_error,
        assay_error=usual.assay_error if assay_error is None else assay_error,
    )
    return Balanced(streams, Path(out), streams.write(Path(out)))
