"""The functions that load logs into a history; rejected rows are kept with the reason.

In come logs as text, workbooks and Parquet, packed or not, or rows in memory; out come new runs
in the history, a rejects file that a person can correct and load again, and a report that accounts
for every row.
"""

from __future__ import annotations

import io
import random
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeAlias

import pyarrow as pa

from optimizer.errors import Overtaken
from optimizer.history.schema import in_site_units, run_schema, schema_of
from optimizer.intake.formats.files import find_logs, logs_of_path
from optimizer.intake.formats.logs import Member, logs_in, table_of_rows
from optimizer.intake.formats.parquet import open_table
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.committing import run_load
from optimizer.intake.settling.load_options import DEFAULTS, LoadOptions
from optimizer.intake.settling.load_report import FileTally, LoadReport
from optimizer.intake.settling.loading import Load, LogFile, Progress
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History

Rows: TypeAlias = "pa.Table | Sequence[Mapping[str, Any]]"
"""A table, or mappings of heading to value."""

TRIES = 20
"""How often a load is begun when others, on other machines, commit before it."""
LONGEST_PAUSE = 0.5
"""Seconds; loads that overtook each other start again at different moments."""


def load_logs(
    paths: str | Path | Iterable[str | Path],
    history: History,
    site: Site | None = None,
    *,
    line: str | None = None,
    mapping: Mapping[str, str] | None = None,
    dry_run: bool = False,
    samples: bool = False,
    progress: Progress | None = None,
) -> LoadReport:
    """Loads log files into a history: one commit for all of them.

    Bare numbers are in the units the site declares, grade and recovery in fractions; times
    without a zone are taken as UTC. A file that cannot be read does not stop the others.

    Args:
        paths: files, folders and patterns.
        history: where the runs go.
        site: units, ranges, material columns, mapped headings; the defaults when left out.
        line: line of rows that name none.
        mapping: heading to ``field`` or ``field [unit]``, or to ``ignore``.
        dry_run: reports what would happen, and writes nothing.
        samples: rows are readings over time; one run is made of those that a line gave at the
            same settings without a gap (see ``optimizer.intake.settling.steady``).
        progress: called as each file is begun, with its name, its number and how many there are.

    Raises:
        InputError: when no path leads to a file, or a heading is mapped to no field.
        HistoryError: when the history is damaged or locked.
    """
    options = LoadOptions(line, mapping, dry_run, samples)
    return _load(_log_files(paths), history, site, options, progress)


def load_trial_sheet(
    path: str | Path, history: History, site: Site | None = None, *, line: str | None = None
) -> LoadReport:
    """Loads a filled-in trial sheet; a row without any result is a trial not run yet.

    Args and errors are those of ``load_logs``.
    """
    return _load(_log_files(path), history, site, LoadOptions(line, trials=True))


def load_bytes(
    content: bytes | IO[bytes],
    history: History,
    site: Site | None = None,
    *,
    file: str = "upload",
    options: LoadOptions = DEFAULTS,
) -> LoadReport:
    """Loads the content of one file.

    Args:
        content: of the file, or the open file, which must be seekable.
        history, site: as for ``load_logs``.
        file: its name in the report.
        options: how it is loaded.

    Raises:
        InputError: when a heading is mapped to no field.
        HistoryError: when the history is damaged or locked.
    """
    stream = io.BytesIO(content) if isinstance(content, bytes) else content

    def logs(*how: Any) -> Iterator[Member]:
        stream.seek(0)
        return logs_in(stream, file, *how)

    return _load([LogFile(file, logs)], history, site, options)


def load_table(
    rows: Rows,
    history: History,
    site: Site | None = None,
    *,
    file: str = "rows",
    options: LoadOptions = DEFAULTS,
) -> LoadReport:
    """Loads rows in memory, of which the k-th is row k; the rest is as for ``load_bytes``."""
    return _load([_rows_as_file(file, rows)], history, site, options)


def load_tables(
    tables: Mapping[str, Rows],
    history: History,
    site: Site | None = None,
    *,
    options: LoadOptions = DEFAULTS,
) -> LoadReport:
    """Loads several tables of rows in one commit, each under its name in the report; the rest is
    as for ``load_bytes``."""
    files = [_rows_as_file(file, rows) for file, rows in tables.items()]
    return _load(files, history, site, options)


def _log_files(paths: str | Path | Iterable[str | Path]) -> list[LogFile]:
    found = find_logs([paths] if isinstance(paths, str | Path) else paths)
    return [LogFile(str(path), partial(logs_of_path, path)) for path in found]


def _rows_as_file(file: str, rows: Rows) -> LogFile:
    table = rows if isinstance(rows, pa.Table) else table_of_rows(rows)
    return LogFile(file, lambda *_: iter([Member(file, partial(open_table, table, file))]))


def _load(
    files: Sequence[LogFile],
    history: History,
    site: Site | None,
    options: LoadOptions,
    progress: Progress | None = None,
) -> LoadReport:
    site = site or Site()
    for left in reversed(range(TRIES)):
        load = Load(site, Headings(site, options.mapping), history, options, progress)
        try:
            return run_load(load, files)
        except Overtaken:
            if not left:
                raise
            time.sleep(random.uniform(0.0, LONGEST_PAUSE))
    raise AssertionError("the last try answers or raises")


__all__ = [
    "FileTally",
    "LoadOptions",
    "LoadReport",
    "in_site_units",
    "load_bytes",
    "load_logs",
    "load_table",
    "load_tables",
    "load_trial_sheet",
    "run_schema",
    "schema_of",
]
