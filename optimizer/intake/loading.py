"""From logs to one commit of the history: read, check, tell new from known, keep what is rejected.

Batches stream from the files through the checks into the Delta table, so that memory does not
grow with the log. What a load decides about a row is one of three: added, already known, rejected.
"""

from __future__ import annotations

import os
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.config import Site
from optimizer.errors import InputError
from optimizer.intake.checks import Checked, check
from optimizer.intake.columns import REJECT_COLUMNS, SHAPE_COLUMN, UNITLESS, Headings
from optimizer.intake.conflicts import Conflicts
from optimizer.intake.fields import Log, cell_of
from optimizer.intake.identity import ADDED, CONFLICT, KNOWN, Fingerprints, KnownRuns, run_ids
from optimizer.intake.rejects import Place, Reject, RejectsStore, cells_of, ragged_cells
from optimizer.intake.report import SHOWN_REJECTS, FileTally, LoadReport
from optimizer.intake.schema import schema_of
from optimizer.intake.source import Chunk, Ragged, Source
from optimizer.intake.values import as_mask

if TYPE_CHECKING:
    from optimizer.history import History

T = TypeVar("T")
U = TypeVar("U")

WORKERS = min(4, os.cpu_count() or 1)
"""Chunks under way at once; more than a few wait for the disk and only take memory."""
Progress = Callable[[str, int, int], None]
"""Called as a file is begun, with its name, its number from 1, and how many there are."""


@dataclass(frozen=True)
class Given:
    """A log as given: how it is named, and how to open it."""

    name: str
    open: Callable[[], tuple[IO[bytes] | None, Source]]


@dataclass
class Load:
    """One load under way.

    Args:
        site, headings: how to read logs.
        history: what is known.
        line: line of rows that name none, from the options.
        progress: told of each file.
    """

    site: Site
    headings: Headings
    history: History
    line: str | None = None
    progress: Progress | None = None
    tallies: list[FileTally] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    mended: Counter[Place] = field(default_factory=Counter)
    warnings: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        names = (self.site.space.names, self.site.material_names)
        self.known = KnownRuns(*names)
        self.conflicts = Conflicts(*names)
        self.lines: set[str] = set()
        self.seen_headings: set[str] = set()

    # -- the pipeline ------------------------------------------------------------------------

    def runs(self, given: Sequence[Given]) -> Iterator[pa.RecordBatch]:
        """New runs of all logs, batch by batch; everything else is noted on the way."""
        for k, log in enumerate(given, 1):
            if self.progress:
                self.progress(log.name, k, len(given))
            tally = FileTally(log.name)
            self.tallies.append(tally)
            try:
                yield from self._runs_of(log, tally)
            except InputError as error:
                self._unreadable(tally, error)

    def _runs_of(self, given: Given, tally: FileTally) -> Iterator[pa.RecordBatch]:
        stream, source = given.open()
        with stream or nullcontext():
            log = self._bind(source)
            numeric = _numeric_columns(log)
            examine = partial(_examine, log=log, known=self.known)
            for chunk, checked, prints in side_by_side(source.parts(numeric), examine):
                fresh = self._sort_out(chunk, log, checked, prints, tally)
                if len(fresh):
                    yield fresh
        if tally.read == 0:
            self.warnings.append(f"{given.name} has headings and no rows")

    def _bind(self, source: Source) -> Log:
        """How to read a log.

        Raises:
            InputError: when its headings do not do.
        """
        line = self.line
        if line is None and len(self.site.file.lines) == 1:
            (line,) = self.site.file.lines
        self.seen_headings.update(source.headings)
        binding = self.headings.bind(source.headings, line)
        if binding.problem:
            raise InputError(f"{source.name}: {binding.problem}.", code="columns")
        if binding.ignored:
            listed = ", ".join(f"'{h}'" for h in binding.ignored)
            self.warnings.append(f"{source.name}: columns not read: {listed}")
        if self.line is not None and "line" in binding.columns:
            self.warnings.append(
                f"{source.name} has a column for the line; --line {self.line} fills its gaps only"
            )
        return Log(source.name, Path(source.name).name, self.site, binding, source.decimal, line)

    def _sort_out(
        self, chunk: Chunk, log: Log, checked: Checked, prints: Fingerprints, tally: FileTally
    ) -> pa.RecordBatch:
        """New runs of a chunk; rows known or rejected are noted."""
        self._count_mended(chunk, log)
        rejects = _rejects(chunk, log, checked.faults)
        rejects += [_ragged_reject(r, log) for r in chunk.ragged]
        self.rejects += sorted(rejects, key=lambda reject: reject.row)
        rejected = len(checked.faults) + len(chunk.ragged)
        tally.read += chunk.table.num_rows + len(chunk.ragged)
        tally.rejected += rejected
        return self._new_runs(chunk, log, checked, prints, tally)

    def _new_runs(
        self, chunk: Chunk, log: Log, checked: Checked, prints: Fingerprints, tally: FileTally
    ) -> pa.RecordBatch:
        runs = checked.runs
        self._meet(runs)
        given = runs.column("run_id")
        derived = np.asarray(given.is_null())
        if derived.any():
            place = runs.schema.get_field_index("run_id")
            ids = pc.coalesce(given, run_ids(prints.identity))
            runs = runs.set_column(place, runs.schema.field(place), ids)
        verdict = self.known.admit(runs, prints.content, derived)
        added = verdict == ADDED
        tally.added += int(added.sum())
        tally.already_known += int((verdict == KNOWN).sum())
        if added.all():
            return runs
        disputed = np.flatnonzero(verdict == CONFLICT)
        if len(disputed):
            rows = checked.index[disputed].tolist()
            cells = [{n: cell_of(chunk, log, n, row) for n in log.binding.columns} for row in rows]
            rejects = _rejects(chunk, log, dict.fromkeys(rows, ("run_id", "")))
            self.conflicts.add(runs.take(pa.array(disputed)), rejects, cells, tally)
        return runs.filter(pa.array(added))

    def _meet(self, runs: pa.RecordBatch) -> None:
        """Learns what the history has of lines seen for the first time."""
        fresh = set(pc.unique(runs.column("line")).to_pylist()) - self.lines
        if not fresh:
            return
        self.lines |= fresh
        self.known.learn(self.history.keys(sorted(fresh)))
        declared = set(self.site.file.lines)
        for line in sorted(fresh - declared) if declared else ():
            self.warnings.append(f"line '{line}' is not declared in the site file")

    def _count_mended(self, chunk: Chunk, log: Log) -> None:
        if log.binding.is_rejects_file:
            leading = [chunk.text.column(k).to_pylist() for k in (0, 1, 4)]
            for file, row, reason in zip(*leading, strict=True):
                self.mended[file or "", _whole(row), reason or ""] += 1

    def _unreadable(self, tally: FileTally, error: InputError) -> None:
        said = str(error)
        if tally.read:
            said = f"{said} The {tally.read} rows before that were read."
        tally.error = said
        self.rejects.append(Reject.of(tally.file, 0, "file", "", said, {}))

    # -- the end -----------------------------------------------------------------------------

    def settle(self, found: Iterator[pa.RecordBatch]) -> None:
        """Settles rows whose run id is known, now that every run with that id can be looked at."""
        if self.conflicts:
            self.rejects += self.conflicts.settle(found)

    def report(self, rejects_file: Path | None, version: int | None) -> LoadReport:
        """What the load did."""
        lost = self.headings.unmatched(self.seen_headings)
        self.warnings += [f"no log has a column '{h}', which --map names" for h in lost]
        return LoadReport(
            tuple(self.tallies),
            tuple(r.as_dict() for r in self.rejects[:SHOWN_REJECTS]),
            None if rejects_file is None else str(rejects_file),
            tuple(self.warnings),
            version,
        )


def _examine(
    part: Callable[[], Chunk], log: Log, known: KnownRuns
) -> tuple[Chunk, Checked, Fingerprints]:
    """All that can be done with a chunk without knowing the others."""
    chunk = _without_apostrophes(part(), log)
    checked = check(chunk, log)
    shapes = _moved_rows(chunk, log)
    if shapes:
        keep = ~np.isin(checked.index, list(shapes))
        checked.runs, checked.index = checked.runs.filter(pa.array(keep)), checked.index[keep]
        checked.faults.update({row: ("row", reason) for row, reason in shapes.items()})
    return chunk, checked, known.prints(checked.runs)


def side_by_side(parts: Iterator[T], work: Callable[[T], U]) -> Iterator[U]:
    """Results of the work on each part, in order, a few parts ahead in threads.

    Parsing, casting and hashing release the interpreter lock.
    """
    with ThreadPoolExecutor(WORKERS) as pool:
        ahead: deque[Future[U]] = deque()
        for part in parts:
            ahead.append(pool.submit(work, part))
            if len(ahead) > WORKERS:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()


def run_load(load: Load, given: Sequence[Given], dry_run: bool) -> LoadReport:
    """Runs a load to its end: one commit, then the rejects.

    The commit comes first: after a crash between the two, loading again adds nothing twice and
    finds the same rejects.
    """
    history, schema = load.history, schema_of(load.site)
    if dry_run:
        fresh = list(load.runs(given))
        load.settle(iter([*history.keys(sorted(load.lines)), *fresh]))
        return load.report(None, history.version)
    with history.lock():
        version = history.append(load.runs(given), schema)
        load.settle(history.keys(sorted(load.lines)) if load.conflicts else iter(()))
        rows = [reject for reject in load.rejects if reject.row]  # a whole file is kept by itself
        rejects_file = None
        if rows or load.mended:
            rejects_file = RejectsStore(history.rejects_folder).update(rows, load.mended)
    return load.report(rejects_file if rows else None, version)


def _numeric_columns(log: Log) -> frozenset[int]:
    """Columns to be read straight to numbers; none where cells need a closer look."""
    if log.binding.is_rejects_file or log.decimal == "comma":
        return frozenset()
    columns = log.binding.columns.items()
    counted = {c.index for name, found in columns if name not in UNITLESS for c in found}
    return frozenset(counted | {c.index for c in log.binding.columns.get("grade_count", ())})


def _without_apostrophes(chunk: Chunk, log: Log) -> Chunk:
    """A chunk of a rejects file as it stood before it was made safe for spreadsheets."""
    if not log.binding.is_rejects_file:
        return chunk
    columns = [pc.replace_substring_regex(c, "^'", "") for c in chunk.table.columns]
    table = pa.table(columns, names=chunk.table.column_names)
    return Chunk(table, chunk.rows, lambda: table, chunk.ragged)


def _moved_rows(chunk: Chunk, log: Log) -> dict[int, str]:
    """Rows of a rejects file that are still marked as having moved cells, with their reasons."""
    if not log.binding.is_rejects_file or SHAPE_COLUMN not in log.binding.headings:
        return {}
    shapes = chunk.text.column(log.binding.headings.index(SHAPE_COLUMN))
    reasons = chunk.text.column(REJECT_COLUMNS.index("reason"))
    moved = np.flatnonzero(as_mask(shapes.is_valid())).tolist()
    return {row: reasons[row].as_py() or f"'{SHAPE_COLUMN}' is not empty" for row in moved}


def _rejects(chunk: Chunk, log: Log, faults: dict[int, tuple[str, str]]) -> list[Reject]:
    """Rejects of rows of a chunk, given the field at fault and the reason of each."""
    text = chunk.text.take(pa.array(list(faults), pa.int64()))
    records = list(zip(*(column.to_pylist() for column in text.columns), strict=True))
    rejects = []
    for (row, (name, reason)), cells in zip(faults.items(), records, strict=True):
        value = cell_of(chunk, log, name, row)
        file, line = log.name, int(chunk.rows[row])
        own = _own_cells(log, cells)
        if log.binding.is_rejects_file:  # a row keeps the place where it first stood
            file, line = cells[0] or file, _whole(cells[1]) or line
        rejects.append(Reject.of(file, line, name, value, reason, own))
    return rejects


def _own_cells(log: Log, cells: Sequence[str | None]) -> dict[str, str]:
    """A row's cells by heading, as they stood in its own log."""
    leading = len(REJECT_COLUMNS) if log.binding.is_rejects_file else 0
    own = cells_of(log.binding.headings[leading:], cells[leading:])
    if "line" not in log.binding.columns and log.line is not None:
        own["line"] = log.line  # from the options, which the rejects file does not know
    return own


def _ragged_reject(ragged: Ragged, log: Log) -> Reject:
    n, m = len(ragged.cells), len(log.binding.headings)
    advice = "check for a delimiter inside a cell"
    if log.decimal == "never" and n > m:
        advice = (
            "check for a decimal comma, which a comma-separated log cannot have: write a decimal "
            "point, or separate the columns with semicolons"
        )
    reason = f"row has {n} cells and there are {m} headings: {advice}"
    cells = ragged_cells(log.binding.headings, ragged.cells)
    if "line" not in log.binding.columns and log.line is not None:
        cells["line"] = log.line
    return Reject.of(log.name, ragged.row, "row", "", reason, cells)


def _whole(text: str | None) -> int:
    return int(text) if text and text.strip().isdecimal() else 0
