"""What a load reads: files on disk, the content of a file, or rows in memory."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, TypeAlias

import pyarrow as pa

from optimizer.intake.formats.files import find_logs, logs_of_path
from optimizer.intake.formats.logs import Member, logs_in, table_of_rows
from optimizer.intake.formats.parquet import open_table
from optimizer.intake.formats.parsed import parsed_logs
from optimizer.intake.reading.columns import Headings

Rows: TypeAlias = "pa.Table | Sequence[Mapping[str, Any]]"
"""Rows in memory: a table, or mappings from heading to value."""
Progress = Callable[[str, int, int], None]
"""A function that is called at the start of a file with its name, its number from 1, and the number
of files."""


@dataclass(frozen=True)
class LogFile:
    """A file that may hold several logs: its name, and a function that reads its logs.

    ``named`` says whether the name is that of a person's file, by which a log may be known again.
    """

    name: str
    logs: Callable[[Headings, Callable[[str], None]], Iterator[Member]]
    named: bool = False


def files_at(paths: str | Path | Iterable[str | Path]) -> list[LogFile]:
    """The files that paths, folders and patterns name.

    Raises:
        InputError: when no path leads to a file.
    """
    found = find_logs([paths] if isinstance(paths, str | Path) else paths)
    return [LogFile(str(path), partial(logs_of_path, path), named=True) for path in found]


def content_as_file(name: str, content: bytes | IO[bytes], named: bool = False) -> LogFile:
    """The content of a file, or an open file, which must be seekable, as a file."""
    stream = io.BytesIO(content) if isinstance(content, bytes) else content

    def logs(*how: Any) -> Iterator[Member]:
        stream.seek(0)
        return logs_in(stream, name, *how)

    return LogFile(name, logs, named)


def parsed_file(name: str, folder: Path, named: bool = False) -> LogFile:
    """A file that was parsed into a folder, see ``formats.parsed``."""
    return LogFile(name, partial(parsed_logs, folder), named)


def rows_as_file(name: str, rows: Rows) -> LogFile:
    """Rows in memory as a file."""
    table = rows if isinstance(rows, pa.Table) else table_of_rows(rows)
    return LogFile(name, lambda *_: iter([Member(name, partial(open_table, table, name))]))
