"""Logs of any format to sources of chunks; the content decides on the format, not the name.

In Parquet, and in rows handed over in memory, row k is the k-th.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import IO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.errors import InputError
from optimizer.intake.delimited import open_delimited
from optimizer.intake.source import Chunk, Source
from optimizer.intake.values import as_text

# As many rows as a block of text has, about; a chunk's columns stay in the processor's cache.
BATCH_ROWS = 1 << 15


def open_log(stream: IO[bytes], name: str) -> Source:
    """Opens a log, whatever its format; the content decides, not the name.

    Raises:
        InputError: when it is empty or neither text nor Parquet.
    """
    start = stream.read(4)
    stream.seek(0)
    if start == b"PAR1":
        return _open_parquet(stream, name)
    if start[:2] == b"\x1f\x8b":
        return open_delimited(gzip.GzipFile(fileobj=stream), name)
    if start[:2] == b"PK":
        raise InputError(f"{name} is a workbook or an archive.", hint="Save the log as CSV.")
    return open_delimited(stream, name)


def open_table(table: pa.Table, name: str) -> Source:
    """Rows in memory as a log."""
    return Source(name, table.column_names, lambda _: _typed_chunks(table.to_batches(BATCH_ROWS)))


def table_of_rows(rows: Sequence[Mapping[str, object]]) -> pa.Table:
    """Rows as a table; a column of mixed types becomes text."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = []
    for name in names:
        values = [row.get(name) for row in rows]
        try:
            columns.append(pa.array(values))
        except (pa.ArrowInvalid, pa.ArrowTypeError):
            columns.append(pa.array([None if v is None else str(v) for v in values], pa.string()))
    return pa.table(columns, names=names)


def _typed_chunks(
    batches: Iterable[pa.RecordBatch],
) -> Iterator[Callable[[], Chunk]]:
    start = 1
    for batch in batches:
        table = pa.Table.from_batches([batch])
        rows = np.arange(start, start + len(batch))
        start += len(batch)
        text = partial(_table_as_text, table)
        yield partial(Chunk, table, rows, text)


def _table_as_text(table: pa.Table) -> pa.Table:
    return pa.table([as_text(c) for c in table.columns], names=table.column_names)


def _open_parquet(stream: IO[bytes], name: str) -> Source:
    try:
        file = pq.ParquetFile(stream)
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(f"{name} is a damaged Parquet file: {str(error).rstrip('.')}.") from None

    def parts(_: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        try:
            yield from _typed_chunks(file.iter_batches(BATCH_ROWS))
        except (pa.ArrowInvalid, OSError) as error:
            raise InputError(f"{name} is damaged: {error}.") from None

    return Source(name, file.schema_arrow.names, parts)
