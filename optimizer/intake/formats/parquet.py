"""Reads Parquet files as logs, with limits on their decoded size.

A repeated value is stored once, so a few kilobytes may decode to gigabytes. The decoded size is
therefore estimated before decoding: from the numbers of rows and bytes that the file states or,
where these do not decide, from the lengths of its texts, which takes one number for each row.
During reading, a repeated text is held once for all its rows until it is cut, and rows are read in
pieces of bounded size.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from optimizer.errors import InputError, reason_of
from optimizer.history.arrow import plain
from optimizer.intake.reading.long_texts import LONGEST_TEXT, MOST_BYTES, cut
from optimizer.intake.reading.source import DAMAGE, Chunk, Source
from optimizer.intake.reading.values import as_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Integers = NDArray[np.int64]

# Rows of a chunk: about as many as in a block of text, so that a chunk stays in the processor's
# cache.
BATCH_ROWS = 1 << 15
PIECE_BYTES = 16 << 20
"""Largest size in bytes of the rows that are checked together; a few such pieces are in memory at a
time."""
STEP_BYTES = 128 << 20
"""Largest number of bytes that one step of reading may decode, if each text had the length of the
longest in its column."""
LOOK_ROWS = 1000
"""Number of rows of a group from which looking at its distinct texts first saves time."""
LARGE_TEXTS = 64 << 20
"""Size in bytes of a column of texts up to which it is read even if its texts may be too long."""

_WIDTHS = {"BOOLEAN": 1, "INT32": 8, "INT64": 8, "INT96": 12, "FLOAT": 8, "DOUBLE": 8}
_TEXT = "BYTE_ARRAY"
_OF_EACH = "DELTA_BYTE_ARRAY"
"""Encoding that stores each text as a difference from the previous one; Arrow decodes it in
full."""
_REPEATING = {_OF_EACH, "RLE_DICTIONARY", "PLAIN_DICTIONARY"}
"""Encodings with which a column of few bytes can hold many long texts."""


@dataclass(frozen=True)
class Limits:
    """Limits of one file: largest numbers of rows, of columns, and of decoded bytes."""

    rows: int = 20_000_000
    columns: int = 2000
    size: int = 4 << 30


LIMITS = Limits()


def open_parquet(stream: IO[bytes], name: str, limits: Limits = LIMITS) -> Source:
    """Open a Parquet file as a log.

    Raises:
        InputError: when the file is damaged, or holds more than the limits.
    """
    file = File(stream, name, limits)
    file.check()
    return typed(name, file.schema, file.batches)


class File:
    """A Parquet file that is checked against limits and then read in pieces.

    Args:
        stream: the open file.
        name: name of the file as the user gave it.
        limits: limits of its decoded content.

    Raises:
        InputError: when the file is damaged, or two of its columns have the same name.
    """

    def __init__(self, stream: IO[bytes], name: str, limits: Limits = LIMITS) -> None:
        self.name, self.limits = name, limits
        self._stream = stream
        self.metadata: Any = None
        plainly = self._opened()
        self.metadata = plainly.metadata
        self.schema: pa.Schema = plainly.schema_arrow
        self._leaves = [self.metadata.schema.column(k) for k in range(self.metadata.num_columns)]
        # Columns are read by name; a part of a nested column has the name of the whole column.
        names = Counter(leaf.path for leaf in self._leaves) | Counter(self.schema.names)
        twice = [column for column, count in names.items() if count > 1]
        if twice:
            raise InputError(
                f"{name}: two columns are named '{twice[0][:60]}'.", hint="Rename one of them."
            )
        flat = {f.name for f in self.schema if not pa.types.is_nested(f.type)}
        self._flat = [k for k, leaf in enumerate(self._leaves) if leaf.path in flat]

    def _opened(self, coded: Sequence[str] = ()) -> pq.ParquetFile:
        try:
            self._stream.seek(0)
            return pq.ParquetFile(self._stream, metadata=self.metadata, read_dictionary=list(coded))
        except MemoryError:
            raise self._too_large("more than there is memory for: no more") from None
        except (pa.ArrowException, *DAMAGE) as error:
            said = reason_of(error)
            raise InputError(f"{self.name} is a damaged Parquet file: {said}.") from None

    # -- how much it holds -------------------------------------------------------------------

    def check(self) -> None:
        """Refuse a file whose decoded content exceeds the limits.

        Raises:
            InputError: when a limit is exceeded; the message names the limit.
        """
        limits, each = self.limits, self._rows
        rows = max(self.metadata.num_rows, int(each.sum()))
        for count, most, what in (
            (rows, limits.rows, "rows"),
            (len(self._flat), limits.columns, "columns"),
        ):
            if count > most:
                raise self._too_large(f"{count:,} {what}: at most {most:,}")
        numbers = rows * self._width
        if numbers + int(self._sizes.sum()) > limits.size:
            raise self._larger()
        long = (self._sizes > LARGE_TEXTS) & (self._sizes > each * MOST_BYTES)
        if long.any():
            column = self._leaves[self._texts[int(np.flatnonzero(long.any(axis=0))[0])]].path
            raise self._too_large(
                f"{int(self._sizes.max()) >> 20:,} MiB in the texts of column '{column[:60]}', "
                f"far more than {LONGEST_TEXT:,} characters a row: no more"
            )
        for most in (self._most_text(self._sizes), self._most_text_by_look()):
            if numbers + most <= limits.size:
                return
        for total in self._bytes_of_texts():
            if numbers + total > limits.size:
                raise self._larger()

    def _larger(self) -> InputError:
        return self._too_large(f"more than {self.limits.size >> 20:,} MiB: no more")

    def _too_large(self, said: str) -> InputError:
        return InputError(
            f"{self.name} holds, once it is decoded, {said} can be read from one Parquet file.",
            code="too-large",
            hint="Split it into several.",
        )

    @cached_property
    def _groups(self) -> list[Any]:
        return [self.metadata.row_group(k) for k in range(self.metadata.num_row_groups)]

    @cached_property
    def _texts(self) -> list[int]:
        return [k for k in self._flat if self._leaves[k].physical_type == _TEXT]

    @cached_property
    def _sizes(self) -> Integers:
        """Bytes of each column of texts in each group, as stated by the file, shape (groups,
        texts)."""
        sizes = [[g.column(k).total_uncompressed_size for k in self._texts] for g in self._groups]
        return np.array(sizes, np.int64).reshape(len(self._groups), len(self._texts))

    @cached_property
    def _encodings(self) -> dict[int, set[str]]:
        return {
            k: {encoding for g in self._groups for encoding in g.column(k).encodings}
            for k in self._texts
        }

    @cached_property
    def _width(self) -> int:
        """Bytes of a row without its texts."""
        leaves = [self._leaves[k] for k in self._flat]
        return sum(_WIDTHS.get(leaf.physical_type, leaf.length) for leaf in leaves)

    @cached_property
    def _rows(self) -> Integers:
        """Number of rows of each group, shape (groups, 1)."""
        return np.array([group.num_rows for group in self._groups], np.int64)[:, None]

    def _most_text(self, longest: Integers) -> int:
        """Upper bound of the bytes of all texts after they are cut.

        Args:
            longest: length in bytes of the longest repeated text of each column in each group,
                shape (groups, texts).
        """
        repeated = np.array([bool(self._encodings[k] & _REPEATING) for k in self._texts], bool)
        return int(np.sum(self._sizes + self._rows * repeated * np.minimum(longest, MOST_BYTES)))

    def _most_text_by_look(self) -> int:
        """The bound of ``_most_text``, from the distinct texts that each group stores."""
        longest = self._sizes.copy()
        if LOOK_ROWS * len(longest) > self._rows.sum():  # counting the texts is as fast
            return self._most_text(longest)
        names = self._named(self._texts)
        file = self._opened(self._coded)
        for group in range(len(longest)):
            first = next(self._batches_of(file, names, 1, [group]), None)
            for j, column in enumerate(() if first is None else first.columns):
                if pa.types.is_dictionary(column.type):
                    longest[group, j] = _longest(column)
        return self._most_text(longest)

    def _bytes_of_texts(self) -> Iterator[int]:
        """Bytes of all texts after they are cut, counted row by row; no text is decoded twice."""
        total = 0
        for batch in self._read(self._texts):
            for column in batch.columns:
                total += int(np.sum(np.minimum(_lengths(column), MOST_BYTES)))
            yield total

    # -- reading -----------------------------------------------------------------------------

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The rows in pieces of bounded size, without nested columns."""
        waiting: list[pa.RecordBatch] = []
        rows = size = 0
        left = 2 * self.limits.size
        for piece in self._pieces():
            waiting.append(piece)
            rows, size = rows + len(piece), size + piece.nbytes
            left -= piece.nbytes
            if left < 0:  # the sizes that the file states are wrong
                raise self._larger()
            if rows >= BATCH_ROWS // 2 or size >= PIECE_BYTES // 2:
                yield _joined(waiting)
                waiting, rows, size = [], 0, 0
        if waiting:
            yield _joined(waiting)

    def _pieces(self) -> Iterator[pa.RecordBatch]:
        for batch in self._read(self._flat):
            columns = [_cut_once(column) for column in batch.columns]
            rows = max(1, PIECE_BYTES // max(1, self._width + sum(map(_longest, columns))))
            for start in range(0, len(batch), rows):
                parts = [_plain(column.slice(start, rows)) for column in columns]
                yield pa.RecordBatch.from_arrays(parts, names=batch.schema.names)

    def _read(self, columns: Sequence[int]) -> Iterator[pa.RecordBatch]:
        """Some columns, with repeated texts held once, regardless of the sizes that the file
        states."""
        step = min(BATCH_ROWS, PIECE_BYTES // max(1, self._width))
        for j, k in enumerate(self._texts):
            if _OF_EACH in self._encodings[k]:
                step = min(step, STEP_BYTES // max(1, int(self._sizes[:, j].max(initial=0))))
        return self._batches_of(self._opened(self._coded), self._named(columns), max(1, step), None)

    def _batches_of(
        self, file: pq.ParquetFile, names: Sequence[str], step: int, groups: Sequence[int] | None
    ) -> Iterator[pa.RecordBatch]:
        try:
            yield from file.iter_batches(step, row_groups=groups, columns=list(names))
        except MemoryError:
            raise self._too_large("more than there is memory for: no more") from None
        except (pa.ArrowException, *DAMAGE) as error:
            raise InputError(f"{self.name} is damaged: {reason_of(error)}.") from None

    @cached_property
    def _coded(self) -> list[str]:
        """Columns whose repeated texts are read once each, as far as Arrow supports it."""
        return self._named(
            k
            for k, encodings in self._encodings.items()
            if encodings & _REPEATING and _OF_EACH not in encodings
        )

    def _named(self, columns: Iterable[int]) -> list[str]:
        return [self._leaves[k].path for k in columns]


def _lengths(column: pa.Array) -> Integers:
    """Bytes of each text of a column, shape (n,); an empty array for a column of another type."""
    if pa.types.is_dictionary(column.type):
        each = _lengths(column.dictionary)
        if not len(each):
            return np.zeros(len(column), np.int64)
        return each[pc.fill_null(column.indices, 0).to_numpy(zero_copy_only=False)]
    if not _holds_bytes(column.type):
        return np.zeros(len(column), np.int64)
    return np.asarray(pc.fill_null(pc.binary_length(column), 0).to_numpy(zero_copy_only=False))


def _longest(column: pa.Array) -> int:
    """Number of bytes of the longest text of a column."""
    each = column.dictionary if pa.types.is_dictionary(column.type) else column
    return int(np.max(_lengths(each), initial=0))


def _holds_bytes(kind: pa.DataType) -> bool:
    return any(
        of(kind)
        for of in (
            pa.types.is_string, pa.types.is_large_string, pa.types.is_binary,
            pa.types.is_large_binary, pa.types.is_fixed_size_binary,
        )
    )  # fmt: skip


def _cut_once(column: pa.Array) -> pa.Array:
    """A column whose texts are cut, each distinct text once for all its rows."""
    if not pa.types.is_dictionary(column.type):
        return cut(column)
    if not _holds_bytes(column.type.value_type):
        return column
    values = as_text(pa.chunked_array([column.dictionary])).combine_chunks()
    return pa.DictionaryArray.from_arrays(column.indices, cut(values))


def _plain(column: pa.Array) -> pa.Array:
    coded = pa.types.is_dictionary(column.type)
    return column.dictionary.take(column.indices) if coded else column


def _joined(pieces: Sequence[pa.RecordBatch]) -> pa.RecordBatch:
    if len(pieces) == 1:
        return pieces[0]
    (whole,) = pa.Table.from_batches(pieces).combine_chunks().to_batches()
    return whole


# -- typed rows ------------------------------------------------------------------------------


def open_table(table: pa.Table, name: str) -> Source:
    """Open rows in memory as a log."""
    flat = [k for k, kind in enumerate(table.schema.types) if not pa.types.is_nested(kind)]
    return typed(name, table.schema, lambda: table.select(flat).to_batches(BATCH_ROWS))


def typed(name: str, schema: pa.Schema, batches: Callable[[], Iterable[pa.RecordBatch]]) -> Source:
    """A log whose columns have types; nested columns hold no cells and are missing in the
    batches."""
    nested = [field.name for field in schema if pa.types.is_nested(field.type)]
    listed = ", ".join(f"'{column}'" for column in nested)
    return Source(
        name,
        tuple(field.name for field in schema if not pa.types.is_nested(field.type)),
        lambda _: _typed_chunks(batches()),
        warnings=(f"{name}: nested columns not read: {listed}",) if nested else (),
    )


def _typed_chunks(batches: Iterable[pa.RecordBatch]) -> Iterator[Callable[[], Chunk]]:
    start = 1
    for batch in batches:
        table = pa.table(
            [plain(pa.chunked_array([column])) for column in batch.columns],
            names=[str(k) for k in range(batch.num_columns)],
        )
        rows = np.arange(start, start + len(batch))
        start += len(batch)
        yield _chunk_of(table, rows)


def _chunk_of(table: pa.Table, rows: Integers) -> Callable[[], Chunk]:
    return lambda: Chunk(table, rows, lambda: table_as_text(table))


def table_as_text(table: pa.Table) -> pa.Table:
    """Cells of types as text, as they would stand in a text log."""
    return pa.table([as_text(c) for c in table.columns], names=table.column_names)
