"""From logs to new runs: rows are read, checked and compared with the history.

Batches stream from the files through the checks into the Delta table, so that memory does not
grow with the log. A load assigns each row one of three outcomes: added, already known, rejected.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.changes import former_runs
from optimizer.history.identity import ADDED, CONFLICT, FORMER, KNOWN, Identified, KnownRuns
from optimizer.history.start_times import instant, latest_start
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.checking.dates import Reading
from optimizer.intake.checking.fields import COUNTS, Log
from optimizer.intake.checking.sheet_dates import date_of_sheet
from optimizer.intake.formats.logs import Member
from optimizer.intake.questioning.asking import Asking
from optimizer.intake.questioning.question import Question
from optimizer.intake.reading.columns import MARK_COLUMN, UNITLESS, Binding, Headings
from optimizer.intake.reading.edited_rows import with_edits
from optimizer.intake.reading.long_texts import LONGEST_HEADING
from optimizer.intake.reading.source import Chunk, Source
from optimizer.intake.settling.conflicts import Conflicts
from optimizer.intake.settling.correcting import completed
from optimizer.intake.settling.examine import (
    Examined,
    Rows,
    as_they_stood,
    by_mark,
    examine,
    joined_chunks,
    places_of,
)
from optimizer.intake.settling.load_options import LoadOptions
from optimizer.intake.settling.load_report import SHOWN_REJECTS, FileTally, LoadReport
from optimizer.intake.settling.log_files import LogFile, Progress
from optimizer.intake.settling.readings import LogOfReadings, RowsOfLog, gathered
from optimizer.intake.settling.rejects import SCHEMA, file_reject
from optimizer.intake.settling.remarks import LogRemarks, remarks_on_former
from optimizer.intake.settling.side_by_side import side_by_side
from optimizer.numerics.sorting import sorted_by
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.changes import FormerRuns
    from optimizer.history.history import History
    from optimizer.history.storage.event_log import Event

MOST_REJECTED = 512 << 20
"""Largest number of bytes of faulty rows in one load, which are held in memory until its end."""


@dataclass
class Load:
    """The state of one running load.

    Args:
        site, headings: description of the plant, and the names of fields in headings.
        history: the history, with its known runs.
        options: options of the load.
        progress: function that is called at the start of each file.
        tallies, rejects, warnings: results of the load so far.
        mended: places of the rows of a rejects file that was loaded.
        readings: the readings that runs were made from, where rows are readings over time.
        events: what the commit of the load tells besides its runs, complete after the last run.
        filled: fields that the history fills, for each log whose rows may correct runs.
    """

    site: Site
    headings: Headings
    history: History
    options: LoadOptions
    progress: Progress | None = None
    tallies: list[FileTally] = field(default_factory=list)
    rejects: list[pa.Table] = field(default_factory=list)
    mended: list[pa.Table] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    readings: list[pa.Table] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    filled: dict[str, frozenset[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        columns, material = self.site.setting_columns, self.site.material_names
        self.known = KnownRuns(columns.names, material, columns.gates)
        self.conflicts = Conflicts(columns, material)
        self.units = StoredUnits(self.site)  # until the history says what it stores
        now = self.history.clock()
        self.latest = latest_start(now)
        self.asking = Asking(self.site, instant(now))
        self.line = self.options.line
        if self.line is None and len(self.site.file.lines) == 1:
            (self.line,) = self.site.file.lines
        self.former: FormerRuns | None = None
        self.recognized: dict[str, list[NDArray[np.int64]]] = {}
        self.lines: set[str] = set()
        self.halves: list[LogOfReadings] = []  # logs with settings alone or results alone
        self.days: list[dict[str, Any]] = []
        self.held = 0
        self.seen_headings: set[str] = set()

    # -- the pipeline ------------------------------------------------------------------------

    def runs(self, given: Sequence[LogFile]) -> Iterator[pa.RecordBatch]:
        """The new runs of all logs in batches; tallies, rejects and warnings are updated
        meanwhile."""
        for k, file in enumerate(given, 1):
            if self.progress:
                self.progress(file.name, k, len(given))
            try:
                for member in file.logs(self.headings, self.warnings.append):
                    inner = member.name.removeprefix(file.name)
                    place = Path(file.name).name + inner
                    if not self.options.reads(member.name):
                        continue
                    self.asking.begin(member.name, place if file.named else None)
                    yield from self._runs_of(member, place)
                    self.asking.end(self.history)
            except InputError as error:
                self._unreadable(FileTally(file.name), error)
        if self.halves:
            log = self.halves[0].log
            self.asking.begin(log.name, None)
            yield from self._runs_of_readings(self.halves)
            self.asking.end(self.history)

    def _runs_of(self, member: Member, place: str) -> Iterator[pa.RecordBatch]:
        """The new runs of one log; ``place`` is the name of the log in the history."""
        tally = FileTally(member.name, corrected=0 if self.options.correcting else None)
        before = len(self.rejects)
        try:
            source = with_edits(member.open(), self.options.edits)
            if self.options.correcting:
                log = self._log(source, place, self.headings.bind(source.headings, self.line))
                source, self.filled[member.name] = completed(source, log, self.history)
            log = self._bind(source, place)
            self.tallies.append(tally)
            yield from self._runs_in(source, log, tally)
        except InputError as error:
            self._unreadable(tally, error)
        own = self.rejects[before:]
        del self.rejects[before:]
        # Rows that waited for the end of the log come after the others.
        self.rejects += [sorted_by(pa.concat_tables(own), "row")] if len(own) > 1 else own

    def _runs_in(self, source: Source, log: Log, tally: FileTally) -> Iterator[pa.RecordBatch]:
        """The new runs of an opened log.

        Raises:
            InputError: when the log cannot be read to its end; the rows before that point are read.
        """
        remarks, problem = LogRemarks(log), None
        waiting: list[Chunk] = []
        readings = LogOfReadings(log, tally)
        work = partial(self._examine, log=log, source=source)
        parts = source.parts(_numeric_columns(log))
        if log.binding.is_rejects_file and MARK_COLUMN in source.headings:
            parts = (alike for part in parts for alike in by_mark(part, source.headings))
        try:
            for found in side_by_side(parts, work):
                remarks.add(found)
                if len(found.checked.unsure):
                    waiting.append(as_they_stood(found))
                yield from self._sort_out(found, log, tally, readings)
                if found.chunk.stop:
                    raise InputError(f"{log.name}: {found.chunk.stop}")
        except InputError as error:
            problem = error
        log = remarks.final()
        for decimal in dict.fromkeys(chunk.decimal for chunk in waiting):
            alike = [chunk for chunk in waiting if chunk.decimal == decimal]
            found = self._examine(partial(joined_chunks, alike), log, source)
            remarks.add(found)
            yield from self._sort_out(found, log, tally, readings)
        if self.options.samples:
            readings.log = log
            if readings.is_complete(self.site.setting_names):
                yield from self._runs_of_readings([readings])
            else:
                self.halves.append(readings)
        self.warnings += remarks.warnings(tally, self.options.samples)
        if problem:
            raise problem

    def _examine(self, part: Callable[[], Chunk], log: Log, source: Source) -> Examined:
        return examine(part, log, self.known, self.headings, source.repeats)

    def _bind(self, source: Source, place: str) -> Log:
        """The properties of a log, from its headings and the options.

        Raises:
            InputError: when the headings lack a required field, or two fill one field.
        """
        long = next((h for h in source.headings if len(h) > LONGEST_HEADING), None)
        if long is not None:
            raise InputError(
                f"{source.name}: a heading has {len(long):,} characters, and at most "
                f"{LONGEST_HEADING} are read: '{long[:40]}…'.",
                code="columns",
                hint="Is the first line a line of headings?",
            )
        self.seen_headings.update(source.headings)
        binding = self.headings.bind(source.headings, self.line, self.options.samples)
        if binding.problem:
            raise InputError(f"{source.name}: {binding.problem}.", code="columns")
        if self.options.samples and "started_at" not in binding.columns:
            raise InputError(
                f"{source.name}: readings over time need a column started_at.", code="columns"
            )
        self.warnings += source.warnings
        if binding.ignored:
            listed = ", ".join(f"'{h}'" for h in binding.ignored)
            self.warnings.append(f"{source.name}: columns not read: {listed}")
        if self.options.line is not None and "line" in binding.columns:
            self.warnings.append(
                f"{source.name} has a column for the line; --line {self.options.line} fills its "
                "gaps only"
            )
        return self._log(source, place, binding)

    def _log(self, source: Source, place: str, binding: Binding) -> Log:
        options = self.options
        how = Reading(stated=options.date_order, usual=self.site.date_order)
        dated = date_of_sheet(source.titles, place, how) if options.sheet_date is None else None
        day, where = dated or (options.sheet_date, "")
        return Log(
            source.name,
            place,
            self.units,
            binding,
            source.decimal,
            self.latest,
            self.line,
            timed=options.samples,
            trials=options.trials,
            sheet_date=day,
            dated_by=where,
            date_order=options.date_order,
        )

    def _sort_out(
        self, found: Examined, log: Log, tally: FileTally, readings: LogOfReadings
    ) -> Iterator[pa.RecordBatch]:
        """The new runs of a chunk; known and rejected rows are counted, and readings are
        collected."""
        chunk, checked = found.chunk, found.checked
        if log.binding.is_rejects_file:
            self.mended.append(places_of(chunk))
        self.rejects += found.rejects
        rejected = sum(len(table) for table in found.rejects)
        self.asking.twice.update(checked.twice)
        tally.read += rejected + len(checked.runs)
        tally.rejected += rejected
        self._hold(sum(table.nbytes for table in found.rejects))
        if self.options.samples:
            readings.found.append(found)
        else:
            each = np.arange(len(checked.index))
            rows = Rows([found], np.zeros_like(each), checked.index, each)
            yield from self._new_runs(found.identified, [RowsOfLog(log, tally, rows, each)])

    def _runs_of_readings(self, logs: Sequence[LogOfReadings]) -> Iterator[pa.RecordBatch]:
        """The new runs made from the readings over time of some logs together."""
        if not sum(len(found.checked.index) for each in logs for found in each.found):
            return
        found = gathered(logs, self.units, self.options.pictured)
        self.rejects += found.rejects
        self.days += found.days
        self._hold(sum(table.nbytes for table in found.rejects))
        for runs in self._new_runs(self.known.identify(found.made.runs), found.of_logs):
            self.readings.append(found.made.readings(found.table, runs))
            yield runs

    def _new_runs(
        self, found: Identified, of_logs: Sequence[RowsOfLog]
    ) -> Iterator[pa.RecordBatch]:
        """Those runs that are new; the rows of all runs are counted in the tallies of their
        logs."""
        runs = found.runs
        self._learn_lines_of(runs)
        verdict = self.known.admit(found)
        added, disputed = verdict == ADDED, verdict == CONFLICT
        former = np.flatnonzero(verdict == FORMER)
        for each in of_logs:
            of_rows, tally = verdict[each.rows.owner], each.tally
            tally.count(int((of_rows == ADDED).sum()), int(added[each.leads].sum()))
            tally.already_known += int(((of_rows == KNOWN) | (of_rows == FORMER)).sum())
            own = former[np.isin(former, each.leads)]
            if self.known.former is not None and len(own):
                numbers = self.known.former.find(found)[own]
                self.recognized.setdefault(tally.file, []).append(numbers)
            if disputed.any():
                owner = np.cumsum(disputed) - 1
                parts = each.rows.of(of_rows == CONFLICT, owner, each.log)
                self.conflicts.add(runs.filter(pa.array(disputed)), *parts, tally)
                self._hold(sum(table.nbytes for table in parts[1:]))
        derived = found.derived
        if not added.all():
            self.asking.known(runs.filter(pa.array(verdict == KNOWN)))
            runs, derived = runs.filter(pa.array(added)), derived[added]
        if len(runs):
            self.asking.add(runs, derived)
            yield runs

    def _hold(self, size: int) -> None:
        """Add to the number of bytes of faulty rows that are held until the load ends.

        Raises:
            InputError: when the total exceeds ``MOST_REJECTED``.
        """
        self.held += size
        if self.held > MOST_REJECTED:
            raise InputError(
                f"the faulty rows have more than {MOST_REJECTED >> 20} MiB, and no more are "
                "kept; what follows was not read.",
                code="too-large",
                hint="Correct what is wrong with the first of them, then load the log again.",
            )

    def _learn_lines_of(self, runs: pa.RecordBatch) -> None:
        """Read from the history the runs of lines that are new to this load."""
        fresh = set(pc.unique(runs.column("line")).to_pylist()) - self.lines
        if not fresh:
            return
        if not self.lines:
            self.former = former_runs(self.history.at().events)
            if self.former is not None:
                self.known.learn_former(self.former.runs)
        self.lines |= fresh
        self.known.learn(self.asking.learn(self.history.at().known_runs(sorted(fresh))))
        declared = set(self.site.file.lines)
        for line in sorted(fresh - declared) if declared else ():
            self.warnings.append(f"line '{line}' is not declared in the site file")

    def _unreadable(self, tally: FileTally, error: InputError) -> None:
        said = str(error)
        if tally.read:
            said = f"{said} The {tally.read} rows before that were read."
        tally.error = said
        self.tallies += [] if tally in self.tallies else [tally]
        self.rejects.append(file_reject(tally.file, said))

    # -- the end -----------------------------------------------------------------------------

    def settle(self, found: Iterator[pa.RecordBatch]) -> None:
        """Decide about rows whose run id is known, once all runs with these ids are available."""
        if self.conflicts:
            self.rejects.append(self.conflicts.settle(found))

    def report(self, rejects_file: Path | None, version: int | None) -> LoadReport:
        """The report of the load."""
        lost = self.headings.unmatched(self.seen_headings)
        self.warnings += [f"no log has a column '{h}', which --map names" for h in lost]
        for name, numbers in self.recognized.items():
            assert self.former is not None
            self.warnings += remarks_on_former(name, self.former, np.concatenate(numbers))
        shown = self.rejected.slice(0, SHOWN_REJECTS).drop_columns("record")
        questions, total = self.questions()
        return LoadReport(
            tuple(self.tallies),
            tuple(shown.to_pylist()),
            None if rejects_file is None else str(rejects_file),
            tuple(self.warnings),
            version,
            questions,
            total,
            tuple(self.days),
        )

    def questions(self) -> tuple[tuple[Question, ...], int]:
        """The first questions about the new rows, and the number of all."""
        return self.asking.questions(self.history)

    @property
    def rejected(self) -> pa.Table:
        """All rejects found so far."""
        return pa.concat_tables([SCHEMA.empty_table(), *self.rejects])


def _numeric_columns(log: Log) -> frozenset[int]:
    """Indices of columns to parse directly as numbers; none where cells must be read as text."""
    if log.binding.is_rejects_file:
        return frozenset()
    columns = log.binding.columns.items()
    return frozenset(
        c.index for name, found in columns if name not in UNITLESS or name in COUNTS for c in found
    )
