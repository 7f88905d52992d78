"""Stores runs in Parquet files; a file holds runs of one line and is named by its bytes' hash.

The commit that adds a file contains the file's name, and so does every later checkpoint. So every
file has its hash, even if a process is killed, and comparing name and bytes shows whether the bytes
have changed. Files of other writers, and files written before hashes were kept, have other names;
their hashes are not known.

A file is completed in memory before it is written, since its name needs the hash of all its bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, unquote
from uuid import uuid4

import numpy as np
import pyarrow as pa
import pyarrow.fs as pa_fs
import pyarrow.parquet as pq
from deltalake.transaction import AddAction, RemoveAction

from optimizer.history.storage.log_hashes import read_file
from optimizer.numerics.sorting import sorted_by

PARTITION = "line="
# Size at which a file is written; until then it is in memory, one file for each line.
_FILE_BYTES = 16 << 20
GROUP_ROWS = 1 << 16
"""Number of runs in a row group of a file."""
# Most rows of all lines that wait to be encoded, so that many lines do not take more memory.
_ROWS_WAITING = 1 << 18
# Columns that hardly repeat gain nothing from a dictionary, and building it takes time.
_NO_DICTIONARY = ("run_id", "started_at", "source_row")
# File systems allow 255 bytes. The line's name in a path is only for people, so it may be cut: the
# commit contains the full name.
_LONGEST_FOLDER = 120
_HASHED = re.compile(r"-([0-9a-f]{64})\.parquet$")
# Longest text that is stated as the smallest or largest value of a column: longer ones do not help
# readers to skip files, and would swell the log.
_LONGEST_END = 64
# The file objects of the table library accept only bytes, and pyarrow passes bytes only when it
# writes through a buffer that is larger than each piece.
_BUFFER_BYTES, _PIECE_BYTES = 1 << 20, 1 << 18
_YEARS = tuple(np.array(["0001", "10000"], "datetime64[us]").astype(np.int64).tolist())


def stated_hash(path: str) -> str | None:
    """The SHA-256 of a file's bytes when it was written, from its name; None if it has none.

    >>> stated_hash("line=A/part-00000-021ce1fa.zstd.parquet")
    """
    found = _HASHED.search(path)
    return None if found is None else found[1]


def is_changed(path: str, content: bytes) -> bool:
    """Whether the hash of a file's bytes differs from the hash in its name.

    A file without a hash in its name counts as unchanged.
    """
    return stated_hash(path) not in (None, hashlib.sha256(content).hexdigest())


@dataclass(frozen=True)
class DataFile:
    """A data file as the log describes it.

    Attributes:
        path: path inside the table.
        line: name of the line whose runs the file holds.
        size: size in bytes.
        runs: number of runs; None where the log does not state it.
        low, high: smallest and largest value of each column for which the log states them.
    """

    path: str
    line: str
    size: int
    runs: int | None
    low: Mapping[str, Any]
    high: Mapping[str, Any]


def stated_files(files: pa.Table) -> list[DataFile]:
    """Turns the rows of ``table.files_of`` into records, in the same order."""
    return [
        DataFile(
            path=unquote(row["path"]),
            line=row["partition.line"],
            size=row["size_bytes"],
            runs=row["num_records"],
            low={k[4:]: v for k, v in row.items() if k.startswith("min.") and v is not None},
            high={k[4:]: v for k, v in row.items() if k.startswith("max.") and v is not None},
        )
        for row in files.to_pylist()
    ]


class RunFiles:
    """Writes runs to data files, and returns the actions that a commit must contain.

    As a context manager it deletes the files that it wrote when the block ends with an error.

    Args:
        filesystem: file system whose root is the table.
        data_change: False when the table already has the runs, as in a merge of files.

    Raises:
        OSError, pyarrow.ArrowException: from every method, when a file cannot be written.
    """

    def __init__(self, filesystem: pa_fs.FileSystem, *, data_change: bool = True) -> None:
        self._filesystem, self._data_change = filesystem, data_change
        self._waiting: dict[str, list[pa.RecordBatch]] = defaultdict(list)
        self._rows: Counter[str] = Counter()
        self._schemas: dict[str, pa.Schema] = {}
        self._open: dict[str, tuple[pa.BufferOutputStream, pq.ParquetWriter]] = {}
        self._written: list[AddAction] = []

    def __enter__(self) -> RunFiles:
        return self

    def __exit__(self, failure: object, *_: object) -> None:
        for made in self._written if failure else ():
            with suppress(OSError, pa.ArrowException):
                self._filesystem.delete_file(made.path)

    def add(self, batch: pa.RecordBatch) -> None:
        """Takes runs of any lines; the runs of each line keep their order.

        A file has one set of columns; runs with other columns begin another file.
        """
        for line, runs in _by_line(batch):
            if self._schemas.setdefault(line, runs.schema) != runs.schema:
                self._end(line)
                self._schemas[line] = runs.schema
            self._waiting[line].append(runs)
            self._rows[line] += len(runs)
            if self._rows[line] >= GROUP_ROWS:
                self._encode(line)
        if self._rows.total() >= _ROWS_WAITING:
            self._encode(self._rows.most_common(1)[0][0])

    def finish(self) -> list[AddAction]:
        """Writes the remaining runs and returns the actions that a commit must contain."""
        for line in {**self._rows, **self._open}:
            self._end(line)
        return self._written

    def _end(self, line: str) -> None:
        """Writes the remaining runs of a line."""
        if self._rows[line]:
            self._encode(line)
        if line in self._open:
            self._close(line)

    def _encode(self, line: str) -> None:
        """Encodes the waiting runs of a line; writes the line's file once it is large enough."""
        runs = pa.Table.from_batches(self._waiting.pop(line))
        del self._rows[line]
        if line not in self._open:
            sink = pa.BufferOutputStream()
            self._open[line] = (
                sink,
                pq.ParquetWriter(
                    sink,
                    runs.schema,
                    compression="zstd",
                    compression_level=1,
                    use_dictionary=[n for n in runs.column_names if n not in _NO_DICTIONARY],
                    store_schema=False,
                ),
            )
        sink, writer = self._open[line]
        writer.write_table(runs, row_group_size=GROUP_ROWS)
        if sink.tell() >= _FILE_BYTES:
            self._close(line)

    def _close(self, line: str) -> None:
        """Completes the file of a line, names it by its hash and writes it."""
        sink, writer = self._open.pop(line)
        writer.close()
        content = sink.getvalue().to_pybytes()
        folder = PARTITION + quote(line, safe="")[:_LONGEST_FOLDER]
        name = f"part-{uuid4().hex[:16]}-{hashlib.sha256(content).hexdigest()}.parquet"
        made = AddAction(
            path=f"{folder}/{name}",
            size=len(content),
            partition_values={"line": line},
            modification_time=time.time_ns() // 1_000_000,
            data_change=self._data_change,
            stats=json.dumps(
                _statistics(pq.read_metadata(io.BytesIO(content))), separators=(",", ":")
            ),
        )
        self._written.append(made)
        self._filesystem.create_dir(folder)
        with self._filesystem.open_output_stream(made.path, buffer_size=_BUFFER_BYTES) as file:
            for start in range(0, len(content), _PIECE_BYTES):
                file.write(content[start : start + _PIECE_BYTES])


def read_runs(
    filesystem: pa_fs.FileSystem, file: DataFile, schema: pa.Schema
) -> Iterator[pa.RecordBatch]:
    """Reads the runs of a file batch by batch, in their order; the batches are not kept in memory.

    The log states the line of the runs. A column that the file lacks is younger than the file and
    holds nulls.

    Args:
        filesystem: file system whose root is the table.
        file: the file to read.
        schema: schema of the batches, whose columns alone are read.

    Raises:
        OSError, pyarrow.ArrowException: when the file is missing or cannot be read.
    """
    with (
        filesystem.open_input_file(file.path) as source,
        pq.ParquetFile(source, pre_buffer=True) as content,
    ):
        stored = [n for n in schema.names if n in content.schema_arrow.names and n != "line"]
        # A buffer holds all that one call reads, so each call reads one group of rows.
        for group in range(content.num_row_groups):
            for batch in content.iter_batches(row_groups=[group], columns=stored):
                known = {name: batch.column(name) for name in stored}
                known["line"] = pa.repeat(file.line, len(batch))
                arrays = [
                    known[f.name].cast(f.type) if f.name in known else pa.nulls(len(batch), f.type)
                    for f in schema
                ]
                yield pa.record_batch(arrays, schema=schema)


def merge_files(
    filesystem: pa_fs.FileSystem, files: pa.Table, most_bytes: int
) -> tuple[list[AddAction], list[RemoveAction]]:
    """Merges the small files of each line, oldest first, into larger ones.

    A file whose bytes changed, or that cannot be read, is not merged, since a merge would hide the
    damage.

    Args:
        filesystem: file system whose root is the table.
        files: rows of ``table.files_of``.
        most_bytes: largest total size, in bytes, of the files that become one file.

    Returns:
        The actions by which a commit adds and removes files; the runs stay the same.

    Raises:
        OSError, pyarrow.ArrowException: when a file cannot be written.
    """
    files = sorted_by(files, "partition.line", "modification_time")
    removed: list[RemoveAction] = []
    with RunFiles(filesystem, data_change=False) as merged:
        for group in _groups(stated_files(files), most_bytes):
            read = [(file, runs) for file in group if (runs := _runs_in(filesystem, file))]
            if len(read) < 2:
                continue
            runs = pa.concat_tables([runs for _, runs in read], promote_options="default")
            for batch in runs.combine_chunks().to_batches():
                merged.add(batch)
            merged.finish()
            removed += [removal(file, data_change=False) for file, _ in read]
        return merged.finish(), removed


def _groups(files: Iterable[DataFile], most_bytes: int) -> Iterator[list[DataFile]]:
    """Groups of consecutive files of one line whose total size is at most ``most_bytes``."""
    group: list[DataFile] = []
    for file in files:
        together = sum(f.size for f in group) + file.size
        if group and (group[0].line != file.line or together > most_bytes):
            yield group
            group = []
        group.append(file)
    yield group


def _runs_in(filesystem: pa_fs.FileSystem, file: DataFile) -> pa.Table | None:
    """The runs of a file; None when its bytes changed or it cannot be read."""
    try:
        content = read_file(filesystem, file.path)
        if is_changed(file.path, content):
            return None
        runs = pq.ParquetFile(io.BytesIO(content)).read()
    except (OSError, pa.ArrowException):
        return None
    return runs.append_column("line", pa.repeat(file.line, len(runs)))


def removal(file: DataFile, *, data_change: bool) -> RemoveAction:
    """The action that removes a file from the table; the file itself stays."""
    return RemoveAction(
        file.path,
        data_change=data_change,
        deletion_timestamp=time.time_ns() // 1_000_000,
        size=file.size,
        partition_values={"line": file.line},
    )


def _by_line(batch: pa.RecordBatch) -> Iterator[tuple[str, pa.RecordBatch]]:
    """Splits a batch into the runs of each line, without the column ``line``."""
    coded = batch.column("line").dictionary_encode()
    runs, lines = batch.drop_columns(["line"]), coded.dictionary.to_pylist()
    if len(lines) == 1:
        yield lines[0], runs
        return
    codes = coded.indices.to_numpy()
    runs = runs.take(pa.array(np.argsort(codes, kind="stable")))
    ends = np.cumsum(np.bincount(codes, minlength=len(lines))).tolist()
    for line, start, end in zip(lines, [0, *ends], ends, strict=False):
        yield line, runs.slice(start, end - start)


def _statistics(file: pq.FileMetaData) -> dict[str, object]:
    """Statistics of a file in the form of the Delta protocol.

    They are the number of rows, and the range and number of nulls of each column.
    """
    low: dict[str, object] = {}
    high: dict[str, object] = {}
    gaps: dict[str, int] = {}
    for k in range(file.num_columns):
        name, kind = file.schema.column(k).name, file.schema.column(k).physical_type
        groups = [file.row_group(g).column(k).statistics for g in range(file.num_row_groups)]
        gaps[name] = sum(s.null_count for s in groups)
        filled = [s for s in groups if s.has_min_max]
        full = sum(s.num_values > 0 for s in groups)
        if kind == "BOOLEAN" or not filled or len(filled) < full:
            continue
        first, last = min(s.min_raw for s in filled), max(s.max_raw for s in filled)
        timed = file.schema.column(k).logical_type.type == "TIMESTAMP"
        ends = [_end(value, timed) for value in (first, last)]
        if None not in ends:
            low[name], high[name] = ends
    return {"numRecords": file.num_rows, "minValues": low, "maxValues": high, "nullCount": gaps}


def _end(value: Any, timed: bool) -> Any:
    """The smallest or largest value of a column as JSON; None when JSON cannot represent it."""
    if timed:
        known = _YEARS[0] <= value < _YEARS[1]
        return f"{np.datetime64(value, 'us')}Z" if known else None
    if isinstance(value, bytes):
        return value.decode() if len(value) <= _LONGEST_END else None
    return value if np.isfinite(value) else None
