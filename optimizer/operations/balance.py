"""The command ``balance``: weighed and assayed streams become grades, recoveries and a run log."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from optimizer.operations.stream_log import StreamLog, balance_file


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
    returned: Collection[str] = (),
    mass_error: float | None = None,
    assay_error: float | None = None,
) -> Balanced:
    """Balances every test of a file of streams, and writes a run log.

    Args:
        file: path of a CSV or Parquet file with one row for each stream.
        out: path of the run log to write.
        returned: names of the streams that are led back to the feed.
        mass_error, assay_error: relative standard errors of weights and of assays that state none.

    Raises:
        InputError: when the file lacks a column or cannot be read, or the log cannot be written.
    """
    streams = balance_file(file, returned=returned, mass_error=mass_error, assay_error=assay_error)
    return Balanced(streams, Path(out), streams.write(Path(out)))
