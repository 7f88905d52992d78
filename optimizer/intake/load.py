"""Log files to validated runs; what is rejected is kept, with the reason.

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
from typing import IO, TYPE_CHECKING, Any

import pyarrow as pa

from optimizer.errors import InputError, Overtaken
from optimizer.history.schema import in_site_units, run_schema, schema_of
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.files import find_logs, logs_of_path
from optimizer.intake.reading.parquet import open_table
from optimizer.intake.reading.readers import Member, logs_in, table_of_rows
from optimizer.intake.settling.load_report import FileTally, LoadReport
from optimizer.intake.settling.loading import Given, Load, Progress, run_load
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History


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
    trials: bool = False,
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
        trials: the log is a trial sheet: a row without any result is a trial not run yet.
        progress: called as each file is begun, with its name, its number and how many there are.

    Raises:
        InputError: when no path leads to a file, or a heading is mapped to no field.
        HistoryError: when the history is damaged or locked.
    """
    given = [
        Given(str(found), partial(logs_of_path, found))
        for found in find_logs([paths] if isinstance(paths, str | Path) else paths)
    ]
    return _load(given, history, site, line, mapping, dry_run, samples, progress, trials)


def load_bytes(
    content: bytes | IO[bytes],
    history: History,
    site: Site | None = None,
    *,
    file: str = "upload",
    line: str | None = None,
    mapping: Mapping[str, str] | None = None,
    dry_run: bool = False,
    samples: bool = False,
) -> LoadReport:
    """Loads the content of one file, or an open one that can be read twice; ``file`` is its name
    in the report."""
    stream = io.BytesIO(content) if isinstance(content, bytes) else content

    def logs(*how: Any) -> Iterator[Member]:
        stream.seek(0)
        return logs_in(stream, file, *how)

    given = Given(file, logs)
    return _load([given], history, site, line, mapping, dry_run, samples, None)


def load_table(
    rows: pa.Table | Sequence[Mapping[str, Any]],
    history: History,
    site: Site | None = None,
    *,
    file: str = "rows",
    line: str | None = None,
    mapping: Mapping[str, str] | None = None,
    dry_run: bool = False,
    samples: bool = False,
) -> LoadReport:
    """Loads rows in memory, a table or mappings of heading to value; row k is the k-th."""
    return _load([_given_rows(file, rows)], history, site, line, mapping, dry_run, samples, None)


def load_tables(
    tables: Mapping[str, pa.Table | Sequence[Mapping[str, Any]]],
    history: History,
    site: Site | None = None,
    *,
    line: str | None = None,
) -> LoadReport:
    """Loads several tables of rows in one commit, each under its name in the report."""
    given = [_given_rows(file, rows) for file, rows in tables.items()]
    return _load(given, history, site, line, None, False, False, None)


def _given_rows(file: str, rows: pa.Table | Sequence[Mapping[str, Any]]) -> Given:
    table = rows if isinstance(rows, pa.Table) else table_of_rows(rows)
    return Given(file, lambda *_: iter([Member(file, partial(open_table, table, file))]))


def _load(
    given: Sequence[Given],
    history: History,
    site: Site | None,
    line: str | None,
    mapping: Mapping[str, str] | None,
    dry_run: bool,
    samples: bool,
    progress: Progress | None,
    trials: bool = False,
) -> LoadReport:
    site = site or Site()
    if line is not None and not line.strip():
        raise InputError("the line must have a name.", hint="Give it with --line NAME.")
    named = line.strip() if line else None
    for left in reversed(range(TRIES)):
        load = Load(site, Headings(site, mapping), history, named, samples, trials, progress)
        try:
            return run_load(load, given, dry_run)
        except Overtaken:
            if not left:
                raise
            time.sleep(random.uniform(0.0, LONGEST_PAUSE))
    raise AssertionError("the last try answers or raises")


__all__ = [
    "FileTally",
    "LoadReport",
    "in_site_units",
    "load_bytes",
    "load_logs",
    "load_table",
    "load_tables",
    "run_schema",
    "schema_of",
]
