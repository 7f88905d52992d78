"""Collects the questions of one load while its batches stream by.

A line is known by a sample of its runs: those of the history, and those of this load so far. Until
the sample is large enough to be firm, all new rows wait for the end of the load; after that only
the strange ones wait. At the end every waiting row is compared with the final sample. So memory is
bounded, and the order of rows hardly matters.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from optimizer.history.stored_units import StoredUnits
from optimizer.intake.questioning.fences import FEWEST_TIMES, YEAR, YEARS_BEFORE, Fences, fences_of
from optimizer.intake.questioning.logs import remarks
from optimizer.intake.questioning.question import Question, Wording
from optimizer.intake.questioning.repeats import Repeats
from optimizer.intake.questioning.rows import Columns, doubts, strange
from optimizer.intake.questioning.samples import READINGS, START, Sample, by_line
from optimizer.intake.questioning.starts import twice_shown
from optimizer.plant.site import Site
from optimizer.plant.time_zone import TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.history import History

    Floats = NDArray[np.float64]
    Summary = tuple[Mapping[str, Floats], Fences]

MOST_LISTED = 1000
"""Largest number of questions in a report, which says how many there are in all."""
FIRM = 5000
"""Number of runs of a line from which on only strange rows wait for the end of the load."""
MOST_WAITING = 200_000
"""Largest number of rows that wait for the end of the load."""
_GROWTH = 1.25  # by which a sample must grow before its fences are computed again


@dataclass
class _Line:
    """What is known of one line.

    Attributes:
        sample: runs of the history and of this load.
        own: runs of the log that is being read; None before its first new row.
        before: columns and fences at the beginning of that log.
    """

    sample: Sample
    own: Sample | None = None
    before: Summary | None = None
    summary: Summary | None = None
    summed: int = 0

    def now(self, site: Site, exact: bool = False) -> Summary:
        """Columns and fences of the sample, or of a slightly smaller one unless ``exact``."""
        grown = self.sample.seen > (self.summed if exact else _GROWTH * self.summed)
        if self.summary is None or grown:
            columns = self.sample.columns()
            self.summary, self.summed = (columns, fences_of(columns, site)), self.sample.seen
        return self.summary


@dataclass
class _Waiting:
    """Rows of one log and line that wait for the end of the load."""

    log: int
    line: str
    runs: pa.RecordBatch


class Asking:
    """The questions of one load.

    Args:
        site: the plant.
        now: the present time in microseconds since 1970.

    Attributes:
        units: units of the history and of the plant, in which questions are asked.
        twice: rows of the log whose clock time came twice, with the zone of their clocks.
    """

    def __init__(self, site: Site, now: float) -> None:
        self._site, self._now = site, now
        self.units = StoredUnits(site)
        settings, material = site.setting_names, site.material_names
        self._names: Sequence[str] = tuple(dict.fromkeys((*settings, *READINGS, *material)))
        self._lines: dict[str, _Line] = {}
        self._waiting: list[_Waiting] = []
        self._logs: list[str] = []
        self._told: set[tuple[int, str, str]] = set()
        self._log_starts: dict[tuple[int, str], float] = {}
        self._listed: list[tuple[int, Question]] = []
        self._total = 0
        self._repeats = Repeats(settings, site.time_zone)
        self.twice: dict[int, TimeZone] = {}

    # -- the history -------------------------------------------------------------------------

    def learn(self, batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        """The batches of the history, which are learned from while they pass."""
        for batch in batches:
            for line, rows in by_line(batch):
                self._line(line).sample.add(batch, rows)
                self._repeats.learn(batch, line, rows)
            yield batch

    def _line(self, name: str) -> _Line:
        if name not in self._lines:
            self._lines[name] = _Line(Sample(self._names))
        return self._lines[name]

    # -- the logs ----------------------------------------------------------------------------

    def begin(self, file: str, source: str | None) -> None:
        """Begin a log.

        Args:
            file: name of the log in the report.
            source: name of the log in the history, by which it may be known; None for rows in
                memory, whose names say nothing.
        """
        self._logs.append(file)
        self.twice = {}
        self._repeats.begin(source)

    def known(self, runs: pa.RecordBatch) -> None:
        """Take rows of the log that are known already."""
        self._repeats.known(runs)

    def add(self, runs: pa.RecordBatch, derived: NDArray[np.bool_]) -> None:
        """Take new runs of the log, and whether the id of each was made from its content, (n,)."""
        log, columns = len(self._logs) - 1, Columns(runs, self._names)
        for question in twice_shown(runs, self.twice, self._logs[log]):
            self._list(log, question)
        for name, rows in by_line(runs):
            line = self._line(name)
            if line.own is None:
                line.own = Sample(self._names)
                line.before = line.now(self._site) if line.sample.seen else None
            line.own.add(runs, rows)
            line.sample.add(runs, rows)
            self._repeats.add(runs, name, rows, derived)
            if line.sample.seen >= FIRM:
                seen = columns.rows(rows, self._now)
                rows = rows[strange(seen, line.now(self._site)[1], Wording(self.units, name))]
            if len(rows):
                whole = len(rows) == len(runs)
                self._waiting.append(
                    _Waiting(log, name, runs if whole else runs.take(pa.array(rows)))
                )
        if sum(len(each.runs) for each in self._waiting) > MOST_WAITING:
            self._settle()

    def end(self, history: History) -> None:
        """End a log: it is compared as a whole with what its lines had before it."""
        log = len(self._logs) - 1
        for name, line in self._lines.items():
            if line.own is None:
                continue
            columns = line.own.columns()
            if len(columns[START]) >= FEWEST_TIMES:
                middle = float(np.median(columns[START]))
                self._log_starts[log, name] = middle - YEARS_BEFORE * YEAR
            if line.before is not None:
                self._remark(log, name, columns, line.before)
            line.own = line.before = None
        self._repeats.end(log, self._logs[log], history)

    def _remark(self, log: int, name: str, columns: Mapping[str, Floats], before: Summary) -> None:
        wording, settings = Wording(self.units, name), self._site.space_of(name).names
        for fields, middle, why in remarks(columns, *before, settings, wording):
            self._told |= {(log, name, each) for each in fields}
            value = wording.value(fields[0], middle)
            self._list(log, Question(self._logs[log], 0, None, fields[0], value, why, name))

    # -- the end -----------------------------------------------------------------------------

    def questions(self, history: History) -> tuple[tuple[Question, ...], int]:
        """The first questions in the order of the logs and their rows, and the number of all."""
        self._settle()
        room = MOST_LISTED - len(self._listed)
        listed = [*self._listed, *self._repeats.questions(room, history)]
        listed.sort(key=lambda each: (each[0], each[1].row))
        return tuple(question for _, question in listed), self._total + self._repeats.total

    def _settle(self) -> None:
        """Compare the waiting rows with the others of their lines."""
        waiting, self._waiting = self._waiting, []
        for each in waiting:
            self._settle_one(each)

    def _settle_one(self, each: _Waiting) -> None:
        fences = self._lines[each.line].now(self._site, exact=True)[1]
        log_start = self._log_starts.get((each.log, each.line), np.inf)
        at = np.arange(len(each.runs))
        rows = Columns(each.runs, self._names).rows(at, self._now, log_start)
        wording = Wording(self.units, each.line)
        ids, numbers = each.runs.column("run_id"), each.runs.column("source_row")
        taken: defaultdict[str, NDArray[np.bool_]] = defaultdict(lambda: np.zeros(len(at), bool))
        for doubt in doubts(rows, fences, wording):
            if (each.log, each.line, doubt.field) in self._told:
                continue
            fresh = np.flatnonzero(doubt.rows & ~taken[doubt.field])
            taken[doubt.field] |= doubt.rows
            values = rows.start if doubt.field == START else rows.values[doubt.field]
            room = MOST_LISTED - len(self._listed)
            self._total += max(0, len(fresh) - room)
            for k in fresh[:room].tolist():
                text = wording.value(doubt.field, values[k])
                place = (self._logs[each.log], numbers[k].as_py(), ids[k].as_py())
                self._list(each.log, Question(*place, doubt.field, text, doubt.why(k), each.line))

    def _list(self, log: int, question: Question) -> None:
        """Count a question, and list it while there is room."""
        self._total += 1
        if len(self._listed) < MOST_LISTED:
            self._listed.append((log, question))
