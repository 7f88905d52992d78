"""Readings over time of one log or of several, as the rows of the runs that they make.

A log that has both settings and results is complete. Logs that hold the settings alone or the
results alone make runs together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from optimizer.intake.checking.fields import NEEDED, Log
from optimizer.intake.settling.examine import Examined, Rows, rows_as_rejects
from optimizer.intake.settling.load_report import FileTally
from optimizer.intake.stretches.days import days_of
from optimizer.intake.stretches.division import GAP_MINUTES, NONE, Stretches, runs_of_stretches

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.stored_units import StoredUnits

    Indices = NDArray[np.int64]

NO_RESULT = (
    "no grade and no recovery were measured while the deck was set so: load the log of the results "
    "in the same load, or fill one in"
)
NO_SETTINGS = (
    f"no settings are known within {GAP_MINUTES:g} minutes of this result: load the log of the "
    "settings in the same load"
)


@dataclass
class LogOfReadings:
    """The rows of one log of readings over time.

    Args:
        log: properties of the log.
        tally: its counts.
        found: its examined chunks.
    """

    log: Log
    tally: FileTally
    found: list[Examined] = field(default_factory=list)

    def is_complete(self, settings: Sequence[str]) -> bool:
        """Whether the log has both settings and results, or no row at all."""
        runs = [found.checked.runs for found in self.found]
        return all(
            any(batch.column(name).null_count < len(batch) for batch in runs for name in names)
            for names in (settings, NEEDED)
        ) or not sum(map(len, runs))


@dataclass(frozen=True)
class RowsOfLog:
    """Rows of one log, and the runs that they belong to.

    Args:
        log, tally: the log and its counts.
        rows: the rows; each has an owner.
        leads: indices of the runs that count as added from this log.
    """

    log: Log
    tally: FileTally
    rows: Rows
    leads: Indices


@dataclass(frozen=True)
class Gathered:
    """The runs that the readings of some logs make.

    Args:
        table: the readings, each once.
        made: the stretches of these readings.
        of_logs: the readings of each log that belong to a run.
        rejects: the readings that belong to none.
        days: what was made of the readings of each line and day, for a picture.
    """

    table: pa.Table
    made: Stretches
    of_logs: tuple[RowsOfLog, ...]
    rejects: tuple[pa.Table, ...]
    days: tuple[dict[str, Any], ...]


def gathered(logs: Sequence[LogOfReadings], units: StoredUnits, pictured: bool = False) -> Gathered:
    """Make runs of the readings of logs; a repeated reading counts once. The tallies are updated.

    Args:
        logs: the logs, with at least one reading in all.
        units: the plant, and the units of the readings.
        pictured: whether a picture of the days is wanted.
    """
    chunks = [found for log in logs for found in log.found]
    lengths = [len(found.checked.index) for found in chunks]
    of_log = np.repeat(np.arange(len(logs)), [len(log.found) for log in logs])
    which = np.repeat(np.arange(len(chunks)), lengths)
    place = np.concatenate([found.checked.index for found in chunks])
    content = np.concatenate([found.identified.content for found in chunks])
    once = np.sort(np.unique(content, return_index=True)[1])
    table = pa.Table.from_batches([found.checked.runs for found in chunks]).take(pa.array(once))
    again = np.bincount(of_log[which], minlength=len(logs))
    which, place = which[once], place[once]
    again -= np.bincount(of_log[which], minlength=len(logs))
    made = runs_of_stretches(table, units)
    first = np.full(len(made.runs), -1)
    inside = np.flatnonzero(made.owner != NONE)[::-1]
    first[made.owner[inside]] = of_log[which[inside]]
    parts, rejects = [], []
    for k, log in enumerate(logs):
        log.tally.already_known += int(again[k])
        log.tally.readings = log.tally.readings or 0
        own = np.flatnonzero(of_log[which] == k)
        kept = own[made.owner[own] != NONE]
        rows = Rows(chunks, which[kept], place[kept], made.owner[kept])
        parts.append(RowsOfLog(log.log, log.tally, rows, np.flatnonzero(first == k)))
        left = own[made.owner[own] == NONE]
        for c in np.unique(which[left]):
            rejects.append(_rejected(chunks[c], log, place[left[which[left] == c]], units))
    days = days_of(table, made, units) if pictured else ()
    return Gathered(table, made, tuple(parts), tuple(rejects), tuple(days))


def _rejected(chunk: Examined, log: LogOfReadings, rows: Indices, units: StoredUnits) -> pa.Table:
    """Readings of one chunk that belong to no run, as rejects; they are counted."""
    log.tally.rejected += len(rows)
    runs = chunk.checked.runs
    at = np.searchsorted(chunk.checked.index, rows)
    without = np.logical_and.reduce(
        [np.asarray(runs.column(name).is_null())[at] for name in units.site.setting_names]
    )
    field = np.where(without, "started_at", "grade").tolist()
    reason = np.where(without, NO_SETTINGS, NO_RESULT).tolist()
    return rows_as_rejects(chunk.chunk, log.log, rows, pa.array(field), pa.array(reason))
