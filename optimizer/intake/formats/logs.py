"""The logs in a file of any format, which is recognized by the content rather than the name.

A text or Parquet file is one log. A workbook has a log in each sheet, and an archive has one or
more logs in each of its files. In Parquet files and in rows in memory, rows are numbered from 1.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import IO, cast

import pyarrow as pa

from optimizer.errors import InputError, reason_of
from optimizer.intake.formats.delimited import open_delimited
from optimizer.intake.formats.parquet import open_parquet
from optimizer.intake.formats.unpacked import (
    MOST_HELD,
    MOST_TEXT,
    MOST_TOGETHER,
    Capped,
    check_gzip,
    check_workbook,
    too_large,
)
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.source import DAMAGE, Source

SUFFIXES = (
    ".csv", ".tsv", ".txt", ".dat", ".csv.gz", ".tsv.gz", ".txt.gz",
    ".parquet", ".pq", ".xlsx", ".xlsm", ".zip",
)  # fmt: skip
NO_SHEET = "no-sheet"
"""Code of the error for a workbook of which no sheet has known headings."""
_PARQUET, _GZIP, _OLD_WORKBOOK = b"PAR1", b"\x1f\x8b", b"\xd0\xcf\x11\xe0"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_SHEETS = "xl/workbook.xml"


@dataclass(frozen=True)
class Member:
    """One log of a file: its name, and a function that opens it."""

    name: str
    open: Callable[[], Source]


def logs_in(
    stream: IO[bytes], name: str, known: Headings, warn: Callable[[str], None]
) -> Iterator[Member]:
    """Iterate over the logs of a file; each log must be read before the next one is requested.

    Args:
        stream: the open file.
        name: name of the file as the user gave it.
        known: names of fields, by which headings are recognized.
        warn: function that is called with a sentence for each part that is not read.

    Raises:
        InputError: when the file is damaged or holds no log.
    """
    start = stream.read(4)
    stream.seek(0)
    if start == _PARQUET:
        yield Member(name, partial(open_parquet, stream, name))
    elif start[:2] == _GZIP:
        check_gzip(stream, name)
        text = Capped(cast(IO[bytes], gzip.GzipFile(fileobj=stream)), name)
        yield Member(name, partial(open_delimited, text, name, known))
    elif start in _ZIP:
        yield from _packed(stream, name, known, warn)
    elif start == _OLD_WORKBOOK:
        raise InputError(
            f"{name} is a workbook in the old .xls format, or has a password.",
            hint="Save it as .xlsx without a password, or as CSV.",
        )
    else:
        yield Member(name, partial(open_delimited, stream, name, known))


def _packed(
    stream: IO[bytes], name: str, known: Headings, warn: Callable[[str], None]
) -> Iterator[Member]:
    """The logs of a workbook or an archive."""
    try:
        archive = zipfile.ZipFile(stream)
    except DAMAGE as error:
        raise InputError(f"{name} is a damaged workbook or archive: {reason_of(error)}.") from None
    if _SHEETS in archive.namelist():
        check_workbook(archive, name)
        yield from _sheets(stream, name, known, warn)
        return
    found = [i for i in archive.infolist() if not i.is_dir() and not _is_hidden(i.filename)]
    logs = [i for i in found if i.filename.lower().endswith(SUFFIXES)] or found
    if not logs:
        raise InputError(f"{name} is an archive without a file.")
    if sum(info.file_size for info in logs) > MOST_TOGETHER:
        raise too_large(name, MOST_TOGETHER)
    for info in sorted(logs, key=lambda i: i.filename):
        inner = f"{name}/{info.filename}"
        try:
            yield from _member(archive, info, inner, known, warn)
        except InputError as error:
            yield Member(inner, partial(_refuse, error))


def _refuse(error: InputError) -> Source:
    raise error


def _is_hidden(path: str) -> bool:
    return any(part.startswith((".", "__MACOSX")) for part in path.split("/"))


def _member(
    archive: zipfile.ZipFile,
    info: zipfile.ZipInfo,
    name: str,
    known: Headings,
    warn: Callable[[str], None],
) -> Iterator[Member]:
    """The logs of one file of an archive."""
    try:
        with archive.open(info) as stream:
            start = stream.read(4)
            if start in _ZIP or start == _PARQUET:
                held = start + stream.read(MOST_HELD)
                if len(held) > MOST_HELD:
                    raise too_large(name, MOST_HELD)
                if start in _ZIP and _SHEETS not in zipfile.ZipFile(io.BytesIO(held)).namelist():
                    raise InputError(f"{name} is an archive in an archive.", hint="Unpack it.")
                yield from logs_in(io.BytesIO(held), name, known, warn)
                return
        if info.file_size > MOST_TEXT:
            raise too_large(name, MOST_TEXT)
        with archive.open(info) as stream:
            yield from logs_in(stream, name, known, warn)
    except DAMAGE as error:
        raise InputError(f"{name} cannot be unpacked: {reason_of(error)}.") from None


def _sheets(
    stream: IO[bytes], name: str, known: Headings, warn: Callable[[str], None]
) -> Iterator[Member]:
    from optimizer.intake.formats.workbook import sheets  # noqa: PLC0415 - most loads read no workbook

    count = 0
    for title, source in sheets(stream, name, known):
        if source is None:
            warn(f"{title} has no headings of a log and was not read")
        else:
            count += 1
            yield Member(title, partial(_opened, source))
    if not count:
        raise InputError(f"{name} has no sheet with the headings of a log.", code=NO_SHEET)


def _opened(source: Source) -> Source:
    return source


def table_of_rows(rows: Sequence[Mapping[str, object]]) -> pa.Table:
    """Rows in memory as a table; a column of mixed types is converted to text."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = []
    for name in names:
        values = [row.get(name) for row in rows]
        try:
            columns.append(pa.array(values))
        except (pa.ArrowInvalid, pa.ArrowTypeError, OverflowError):
            columns.append(pa.array([None if v is None else str(v) for v in values], pa.string()))
    return pa.table(columns, names=names)
