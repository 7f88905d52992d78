"""The functions that load logs into a history; rejected rows are stored with the reason.

In come logs as text, workbooks and Parquet, packed or not, or rows in memory; out come new runs
in the history, a rejects file that a person can correct and load again, and a report that accounts
for every row.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypeVar, Unpack

from optimizer.errors import Overtaken
from optimizer.history.schema import run_schema, schema_of
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.committing import run_load
from optimizer.intake.settling.load_options import DEFAULTS, Correcting, HowRead, LoadOptions
from optimizer.intake.settling.load_report import FileTally, LoadReport
from optimizer.intake.settling.loading import Load
from optimizer.intake.settling.log_files import (
    LogFile,
    Progress,
    Rows,
    content_as_file,
    files_at,
    rows_as_file,
)
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History

T = TypeVar("T")

TRIES = 20
"""Number of times that a load is started when other machines commit before it."""
LONGEST_PAUSE = 0.5
"""Longest random wait in seconds before a load starts again, so that competing loads start at
different times."""


def load_logs(
    paths: str | Path | Iterable[str | Path],
    history: History,
    site: Site | None = None,
    *,
    dry_run: bool = False,
    progress: Progress | None = None,
    **how: Unpack[HowRead],
) -> LoadReport:
    """Load log files into a history, with one commit for all files.

    Numbers without a unit are in the units that the site declares; grade and recovery are
    fractions. Times without a zone are in the time zone of the plant. A file that cannot be read
    does not prevent the others from being loaded.

    Args:
        paths: files, folders and patterns.
        history: history to which the runs are added.
        site: units, ranges, material columns and mapped headings; None for the defaults.
        dry_run: whether to report what would happen and write nothing.
        progress: function that is called at the start of each file with its name, its number and
            the number of files.
        how: line, mapping, samples and date_order, see ``HowRead``.

    Raises:
        InputError: when no path leads to a file, a heading is mapped to an unknown field, the order
            of dates is unknown, or the history has a column in a unit that cannot be converted to
            the site's.
        HistoryError: when the history is damaged or locked.
    """
    options = LoadOptions(dry_run=dry_run, **how)
    return _load(files_at(paths), history, site, options, progress)


def load_corrections(
    paths: str | Path | Iterable[str | Path],
    history: History,
    site: Site | None = None,
    *,
    reason: str,
    by: str | None = None,
    dry_run: bool = False,
    **how: Unpack[HowRead],
) -> LoadReport:
    """Load log files whose rows correct the runs that have their run ids.

    A row whose run id is known with other values corrects that run; columns that the log lacks keep
    their values. Other rows are loaded as by ``load_logs``. All is one commit.

    Args:
        paths, history, site, dry_run, how: see ``load_logs``.
        reason: why the runs are corrected; it is kept with each correction.
        by: who corrects them; None where that is not known.

    Raises:
        InputError: when there is no reason, no path leads to a file, a heading is mapped to an
            unknown field, or rows are readings over time.
        HistoryError: when the history is damaged or locked.
    """
    options = LoadOptions(dry_run=dry_run, correcting=Correcting(reason, by), **how)
    return _load(files_at(paths), history, site, options)


def load_trial_sheet(
    path: str | Path,
    history: History,
    site: Site | None = None,
    *,
    line: str | None = None,
    sheet_date: date | None = None,
    sure: bool = True,
) -> LoadReport:
    """Load a filled-in trial sheet; a row without any result is a trial that was not run yet.

    The other arguments and errors are those of ``load_logs``.

    Args:
        path, history, site, line: see ``load_logs``.
        sheet_date: day of the clock times that stand without a date.
        sure: whether rows that raise questions are stored.

    Raises:
        QuestionError: when a row raises a question and ``sure`` is False; nothing is stored then.
    """
    options = LoadOptions(line, trials=True, sheet_date=sheet_date, sure=sure)
    return _load(files_at(path), history, site, options)


def load_bytes(
    content: bytes | IO[bytes],
    history: History,
    site: Site | None = None,
    *,
    file: str = "upload",
    options: LoadOptions = DEFAULTS,
    named: bool = False,
) -> LoadReport:
    """Load the content of one file.

    Args:
        content: content of the file, or the open file, which must be seekable.
        history, site: see ``load_logs``.
        file: name of the file in the report.
        options: options of the load.
        named: whether ``file`` is the name of a person's file, by which a log may be known again.

    Raises:
        InputError: when a heading is mapped to an unknown field.
        HistoryError: when the history is damaged or locked.
    """
    return load_file(content_as_file(file, content, named), history, site, options=options)


def load_file(
    file: LogFile, history: History, site: Site | None = None, *, options: LoadOptions = DEFAULTS
) -> LoadReport:
    """Load one file, however its logs are read; the other arguments and errors are those of
    ``load_bytes``."""
    return _load([file], history, site, options)


def load_table(
    rows: Rows,
    history: History,
    site: Site | None = None,
    *,
    file: str = "rows",
    options: LoadOptions = DEFAULTS,
) -> LoadReport:
    """Load rows in memory, numbered from 1; the other arguments and errors are those of
    ``load_bytes``."""
    return _load([rows_as_file(file, rows)], history, site, options)


def load_tables(
    tables: Mapping[str, Rows],
    history: History,
    site: Site | None = None,
    *,
    options: LoadOptions = DEFAULTS,
) -> LoadReport:
    """Load several tables of rows, each under its name in the report, in one commit; the other
    arguments and errors are those of ``load_bytes``."""
    files = [rows_as_file(file, rows) for file, rows in tables.items()]
    return _load(files, history, site, options)


def _load(
    files: Sequence[LogFile],
    history: History,
    site: Site | None,
    options: LoadOptions,
    progress: Progress | None = None,
) -> LoadReport:
    site = site or Site()

    def tried() -> LoadReport:
        load = Load(site, Headings(site, options.mapping), history, options, progress)
        return run_load(load, files)

    return until_first(tried)


def until_first(work: Callable[[], T]) -> T:
    """Repeat work on the history until no other commit comes before its own.

    Raises:
        Overtaken: when others came first each time.
    """
    for left in reversed(range(TRIES)):
        try:
            return work()
        except Overtaken:
            if not left:
                raise
            time.sleep(random.uniform(0.0, LONGEST_PAUSE))
    raise AssertionError("the last try answers or raises")


__all__ = [
    "FileTally",
    "LoadOptions",
    "LoadReport",
    "load_bytes",
    "load_corrections",
    "load_file",
    "load_logs",
    "load_table",
    "load_tables",
    "load_trial_sheet",
    "run_schema",
    "schema_of",
]
