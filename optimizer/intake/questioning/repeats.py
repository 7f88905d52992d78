"""Rows that may be a known run once more, corrected: the same start, or the same place in a log.

A corrected log that is loaded again has rows whose content is new. Without ids of their own they
become runs beside those that they correct.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.intake.questioning.question import Question, shown_time
from optimizer.intake.questioning.samples import START
from optimizer.intake.questioning.starts import Starts
from optimizer.plant.time_zone import TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.history import History

    Rows: TypeAlias = NDArray[np.int64]
    Mask: TypeAlias = NDArray[np.bool_]

MOST_PLACED = 100_000
"""Largest number of rows of a log whose places are compared with those of the history."""
# Number of fields of a row that a correction changes at most, in a log of which most is known.
_MOST_CHANGED = 2
_TODO = (
    "is it that run, corrected? Then load the log with --correct, which changes that run, or "
    "withdraw one of the two"
)


@dataclass
class _Again:
    """Rows of a log and line that start when a known run of the line does.

    ``runs`` has the columns ``run_id``, ``source_row`` and ``started_at``.
    """

    log: int
    file: str
    line: str
    runs: pa.Table

    def questions(self, runs: pa.Table, history: History) -> Iterator[Question]:
        """The questions about some of the rows."""
        starts = runs[START].cast(pa.int64())
        others = self._others(starts, history)
        columns = (runs["run_id"].to_pylist(), runs["source_row"].to_pylist(), starts.to_pylist())
        for run_id, row, start in zip(*columns, strict=True):
            ids = [other for other in others[start] if other != run_id]
            which = f"run '{ids[0]}'" if ids else "another run of this load"
            why = f"{which} of line '{self.line}' started at the same time: {_TODO}"
            yield Question(self.file, row, run_id, START, shown_time(start), why, self.line)

    def _others(self, starts: pa.ChunkedArray, history: History) -> dict[int, list[str]]:
        """The ids of the known runs of the line with these starts."""
        found: defaultdict[int, list[str]] = defaultdict(list)
        for batch in history.at().batches(("run_id", START), [self.line]):
            times = batch.column(START).cast(pa.int64())
            here = pc.is_in(times, starts)
            pairs = zip(times.filter(here), batch.column("run_id").filter(here), strict=True)
            for time, run_id in pairs:
                found[time.as_py()].append(run_id.as_py())
        return found


@dataclass
class _Placed:
    """Rows of a log at whose place the history has another run.

    ``runs`` has the columns ``run_id``, ``source_row`` and ``other``, the id of that run.
    """

    log: int
    file: str
    runs: pa.Table

    def questions(self, runs: pa.Table, _: History) -> Iterator[Question]:
        """The questions about some of the rows."""
        columns = (runs[name].to_pylist() for name in ("run_id", "source_row", "other"))
        for run_id, row, other in zip(*columns, strict=True):
            why = f"run '{other}' was loaded from this row of a log of the same name: {_TODO}"
            yield Question(self.file, row, run_id, "run_id", run_id, why)


class Repeats:
    """The rows of a load that may be known runs once more.

    Args:
        settings: names of the settings.
        zone: time zone of the plant.
    """

    def __init__(self, settings: Sequence[str], zone: TimeZone) -> None:
        self._compared = (START, *settings, "grade", "recovery")
        self._starts: defaultdict[str, Starts] = defaultdict(lambda: Starts(zone))
        self._sources: defaultdict[str, set[str]] = defaultdict(set)
        self._found: list[_Again] = []
        self._placed: list[_Placed] = []
        self.begin(None)

    def learn(self, batch: pa.RecordBatch, line: str, rows: Rows) -> None:
        """Learn runs of the history that are at some positions of a batch."""
        at = None if len(rows) == len(batch) else pa.array(rows)
        source = batch.column("source")
        self._sources[line].update(pc.unique(source if at is None else source.take(at)).to_pylist())
        self._starts[line].add(_times(batch, at))

    def begin(self, source: str | None) -> None:
        """Begin a log, with its name in the history, or None where its name says nothing."""
        self._source = source
        self._same: defaultdict[str, list[pa.Table]] = defaultdict(list)
        self._own: defaultdict[str, list[NDArray[np.int64]]] = defaultdict(list)
        self._rows: defaultdict[str, list[pa.Table]] = defaultdict(list)
        self._known: list[pa.Array] = []
        self._count = 0

    def known(self, runs: pa.RecordBatch) -> None:
        """Take known rows of the log."""
        if any(self._source in names for names in self._sources.values()):
            self._known.append(runs.column("run_id"))

    def add(self, runs: pa.RecordBatch, line: str, rows: Rows, derived: Mask) -> None:
        """Take new rows of the log that are at some positions of a batch.

        A row that came with an id of its own, as ``derived`` tells for the batch, says that it is
        another run, so nothing is asked about it.
        """
        self._own[line].append(_times(runs, None if len(rows) == len(runs) else pa.array(rows)))
        rows = rows[derived[rows]]
        if not len(rows):
            return
        at = None if len(rows) == len(runs) else pa.array(rows)
        times = _times(runs, at)
        if self._starts[line].once(times).any():
            part = _picked(runs, ("run_id", "source_row", START), at)
            dated = part.filter(part[START].is_valid())
            again = self._starts[line].once(dated[START].cast(pa.int64()).to_numpy())
            self._same[line].append(dated.filter(pa.array(again)))
        if self._source in self._sources[line] and self._count < MOST_PLACED:
            self._rows[line].append(_picked(runs, ("run_id", "source_row", *self._compared), at))
            self._count += len(rows)

    def end(self, log: int, file: str, history: History) -> None:
        """End a log, given its number and name."""
        asked = [pa.array([], pa.string())]
        for line, parts in self._own.items():
            own = np.sort(np.concatenate(parts))
            if self._same[line]:
                same = pa.concat_tables(self._same[line])
                starts = same[START].cast(pa.int64()).to_numpy()
                count = np.searchsorted(own, starts, "right") - np.searchsorted(own, starts, "left")
                same = same.filter(pa.array(count == 1))
                asked += same["run_id"].chunks
                self._found.append(_Again(log, file, line, same))
            self._starts[line].add(own)
        for line, rows in self._rows.items():
            placed = pa.concat_tables(rows)
            placed = placed.filter(pc.invert(pc.is_in(placed["run_id"], pa.chunked_array(asked))))
            self._placed.append(_Placed(log, file, self._same_place(placed, line, history)))

    def _same_place(self, placed: pa.Table, line: str, history: History) -> pa.Table:
        """The rows at whose place in a log of the same name the history has a run that is nearly
        alike and that the log no longer has.

        Returns:
            A table of ``run_id``, ``source_row`` and ``other``, the id of the run in the history.
        """
        columns = ("run_id", "source", "source_row", *self._compared)
        before = pa.Table.from_batches(history.at().batches(columns, [line]))
        before = before.filter(pc.equal(before["source"], self._source))
        known = pa.chunked_array(self._known, pa.string())
        before = before.filter(pc.invert(pc.is_in(before["run_id"], known)))
        at = pc.index_in(placed["source_row"], before["source_row"])
        here, there = placed.filter(at.is_valid()), before.take(at.drop_null())
        most = _MOST_CHANGED if len(known) >= len(placed) else 1
        alike = pa.array(_changed(here, there, self._compared) <= most)
        here, there = here.filter(alike), there.filter(alike)
        return here.select(["run_id", "source_row"]).append_column("other", there["run_id"])

    # -- the end -----------------------------------------------------------------------------

    @property
    def _all(self) -> list[_Again | _Placed]:
        return [*self._found, *self._placed]

    @property
    def total(self) -> int:
        """Number of questions of all logs."""
        return sum(len(each.runs) for each in self._all)

    def questions(self, most: int, history: History) -> Iterator[tuple[int, Question]]:
        """The first questions, each with the number of its log.

        Args:
            most: largest number of them.
            history: the history, which names the known runs.
        """
        for each in self._all:
            first, most = each.runs.slice(0, most), max(0, most - len(each.runs))
            if len(first):
                yield from ((each.log, question) for question in each.questions(first, history))


def _picked(runs: pa.RecordBatch, names: Sequence[str], at: pa.Array | None) -> pa.Table:
    chosen = runs.select(list(names))
    return pa.Table.from_batches([chosen if at is None else chosen.take(at)])


def _changed(here: pa.Table, there: pa.Table, names: Sequence[str]) -> NDArray[np.int64]:
    """Number of fields in which each row differs from another one, shape (n,)."""
    changed = np.zeros(len(here), np.int64)
    for name in (n for n in names if n in there.column_names):
        same = as_mask(pc.equal(here[name], there[name]))
        changed += ~(same | (as_mask(here[name].is_null()) & as_mask(there[name].is_null())))
    return changed


def _times(runs: pa.RecordBatch, at: pa.Array | None) -> NDArray[np.int64]:
    """The known start times of runs at some positions, in microseconds since 1970."""
    column = runs.column(START)
    chosen = column if at is None else column.take(at)
    return np.asarray(chosen.drop_null().cast(pa.int64()).to_numpy())
