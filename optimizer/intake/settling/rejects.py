"""Stores the rejected rows until they are corrected.

There are two files of equal content: ``rejected.parquet`` for machines, and ``rejected.csv`` for a
person, who corrects its rows and loads it again. The first five columns give the place of each row
and what was wrong; the row's own cells follow under their own headings. Loading the file again
removes the corrected rows from it and keeps the others.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from optimizer.errors import HistoryError, reason_of
from optimizer.files import write_whole
from optimizer.history.arrow import harmless_text
from optimizer.history.identity import hash_text, mix
from optimizer.history.schema import in_schema
from optimizer.intake.reading.columns import REJECT_COLUMNS, SHAPE_COLUMN
from optimizer.intake.reading.source import Ragged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Keys = NDArray[np.uint64]
    Mask = NDArray[np.bool_]

T = TypeVar("T")

SCHEMA = pa.schema(
    [
        ("file", pa.string()),
        ("row", pa.int64()),
        ("field", pa.string()),
        ("value", pa.string()),
        ("reason", pa.string()),
        ("record", pa.map_(pa.string(), pa.string())),
    ]
)
"""Schema of rejected rows; ``record`` holds the row's own cells, as written, by heading."""
PLACE = ("file", "row", "reason")
"""Columns that identify a reject. The value is not among them, because the reason contains it and a
spreadsheet may have reformatted it."""

PART_ROWS = 1 << 16


def reject_table(
    file: str | pa.Array,
    rows: pa.Array,
    field: pa.Array,
    value: pa.Array,
    reason: pa.Array,
    cells: pa.Table,
) -> pa.Table:
    """Rejected rows as a table.

    Args:
        file: name of the log, or one name for each row.
        rows: row numbers, shape (n,).
        field, value, reason: texts, shape (n,) each.
        cells: the rows as written, one column for each heading.
    """
    files = pa.repeat(file, len(rows)) if isinstance(file, str) else file
    return pa.table([files, rows, field, value, reason, _records(cells)], schema=SCHEMA)


def file_reject(file: str, reason: str) -> pa.Table:
    """The reject of a whole file, with row number 0."""
    leading = {"file": [file], "row": [0], "field": ["file"], "value": [""], "reason": [reason]}
    return pa.table({**leading, "record": [[]]}, schema=SCHEMA)


def named_cells(headings: Sequence[str], cells: pa.Table) -> pa.Table:
    """Cells by heading, with numbers added to equal or empty headings so that each is unique."""
    seen: Counter[str] = Counter()
    names, columns = [], []
    for heading, column in zip(headings, cells.columns, strict=True):
        seen[heading] += 1
        once = heading and seen[heading] == 1
        if heading or column.null_count < len(column):
            names.append(heading if once else f"{heading} #{seen[heading]}".strip())
            columns.append(column)
    return pa.table(columns, names=names) if columns else cells.select([])


def ragged_cells(headings: Sequence[str], ragged: Ragged) -> pa.Table:
    """Cells of ragged rows, with one more cell that states the number of cells.

    The row is rejected again as long as that cell is filled, because shifted cells may look valid.
    """
    counts = pa.array(ragged.counts).cast(pa.string())
    shape = pc.binary_join_element_wise(counts, f" cells for {len(headings)} headings", "")
    shape = pc.if_else(pa.array(ragged.torn), "zero bytes", shape)
    beyond = pc.binary_join_element_wise(", beyond them: ", ragged.beyond, "")
    said = pc.binary_join_element_wise(
        shape, pc.fill_null(beyond, ""), "; empty this when mended", ""
    )
    return named_cells(headings, ragged.table).append_column(SHAPE_COLUMN, said)


def _records(cells: pa.Table) -> pa.MapArray:
    """Rows of cells as maps from heading to cell, with an empty text for an empty cell."""
    n, k = cells.num_rows, cells.num_columns
    offsets = pa.array(np.arange(0, n * k + 1, k) if k else np.zeros(n + 1), pa.int32())
    names = pa.array(cells.column_names, pa.string()).take(pa.array(np.tile(np.arange(k), n)))
    flat = [pc.fill_null(c.combine_chunks().cast(pa.string()), "") for c in cells.columns]
    texts = pa.concat_arrays(flat) if flat else pa.array([], pa.string())
    order = np.arange(n * k).reshape(k, n).T.ravel() if k else np.zeros(0, int)
    return pa.MapArray.from_arrays(offsets, names, texts.take(pa.array(order)))


class _Entries:
    """The cells of all records in one sequence.

    Attributes:
        row: position of the record of each cell, shape (m,).
        heading, cell: texts, shape (m,).
    """

    def __init__(self, rejects: pa.Table) -> None:
        records = rejects["record"].combine_chunks()
        offsets = records.offsets.to_numpy()
        start, end = int(offsets[0]), int(offsets[-1])
        self.heading = records.keys[start:end]
        self.cell = records.items[start:end]
        self.offsets = offsets - start
        self.row = np.repeat(np.arange(len(records)), np.diff(offsets))

    def columns(self, n: int) -> dict[str, pa.Array]:
        """Cells by heading, shape (n,) each, null where a record lacks the heading."""
        coded = self.heading.dictionary_encode()
        codes = coded.indices.to_numpy()
        order = np.argsort(codes, kind="stable")
        ends = np.searchsorted(codes[order], np.arange(len(coded.dictionary) + 1))
        columns = {}
        for k, heading in enumerate(coded.dictionary.to_pylist()):
            cells = order[ends[k] : ends[k + 1]]
            at = np.full(n, -1)
            at[self.row[cells]] = cells
            columns[heading] = self.cell.take(pa.array(at, mask=at < 0))
        return columns


def _place_keys(rejects: pa.Table) -> Keys:
    """Keys of rows, shape (n,), which are equal for equal places."""
    file, row, reason = (rejects[name].combine_chunks() for name in PLACE)
    numbers = row.to_numpy().astype(np.uint64)
    return mix(mix(mix(hash_text(file)) ^ numbers) ^ hash_text(reason))


def _parts(rejects: pa.Table) -> Iterator[pa.Table]:
    """A table in parts, because processing its cells takes several times their memory."""
    for start in range(0, len(rejects), PART_ROWS):
        yield rejects.slice(start, PART_ROWS)


def _keys(rejects: pa.Table) -> Keys:
    """Keys of rows, shape (n,), equal for equal places and filled cells in any order of columns."""
    return np.concatenate([np.zeros(0, np.uint64), *map(_keys_of, _parts(rejects))])


def _keys_of(rejects: pa.Table) -> Keys:
    entries = _Entries(rejects)
    filled = np.asarray(pc.not_equal(entries.cell, "").to_numpy(zero_copy_only=False), bool)
    each = mix(hash_text(entries.cell) ^ mix(hash_text(entries.heading))) * filled
    sums = np.concatenate([np.zeros(1, np.uint64), np.cumsum(each, dtype=np.uint64)])
    cells = sums[entries.offsets[1:]] - sums[entries.offsets[:-1]]
    return mix(_place_keys(rejects) ^ cells)


class RejectsStore:
    """The rejects files of one history.

    Args:
        folder: folder of the files.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.parquet = folder / "rejected.parquet"
        self.csv = folder / "rejected.csv"

    def read(self) -> pa.Table:
        """All rejects in the order of their loads.

        Raises:
            HistoryError: when the file is damaged or cannot be read.
        """
        found = self._of_file(lambda file: in_schema(file.read(), SCHEMA).select(SCHEMA.names))
        return SCHEMA.empty_table() if found is None else found

    def count(self) -> int:
        """The number of rejects, which the end of the file tells.

        Raises:
            HistoryError: when the file is damaged or cannot be read.
        """
        return self._of_file(lambda file: int(file.metadata.num_rows)) or 0

    def _of_file(self, take: Callable[[pq.ParquetFile], T]) -> T | None:
        """What a function takes from the file; None where there is no file."""
        try:
            with pq.ParquetFile(self.parquet) as file:
                return take(file)
        except FileNotFoundError:
            return None
        except PermissionError as error:
            raise HistoryError(
                f"the rejects file '{self.parquet}' cannot be read: {reason_of(error)}.",
                hint="Check the permissions of the file and of its folder.",
            ) from None
        except (pa.ArrowException, OSError) as error:
            raise HistoryError(
                f"the rejects file '{self.parquet}' is damaged: {reason_of(error)}.",
                hint="Move it away; faulty rows are found again when their log is loaded.",
            ) from None

    def update(self, new: pa.Table, mended: pa.Table) -> Path | None:
        """Add rejects that are not stored yet, and remove corrected ones.

        Args:
            new: rejects of the load.
            mended: places of the rows of a rejects file that was loaded; rows that are still faulty
                are in ``new``.

        Returns:
            Path of the CSV file, or None when no row is rejected.
        """
        before = self.read()
        kept = before.filter(pa.array(~_taken_out(before, mended)))
        keys = _keys(new)
        fresh = np.zeros(len(new), bool)
        fresh[np.unique(keys, return_index=True)[1]] = True
        fresh &= ~np.isin(keys, _keys(kept))
        after = pa.concat_tables([kept, new.filter(pa.array(fresh))])
        if fresh.any() or len(kept) < len(before):
            self._write(after)
        return self.csv if len(after) else None

    def _write(self, rejects: pa.Table) -> None:
        buffer = io.BytesIO()
        pq.write_table(rejects, buffer)
        write_whole(self.parquet, buffer.getvalue(), own=True)
        write_whole(self.csv, csv_of_rejects(rejects), own=True)


def _taken_out(rejects: pa.Table, mended: pa.Table) -> Mask:
    """Which rejects to remove, shape (n,): for each place, as many of the first as were loaded."""
    places, counts = np.unique(_place_keys(mended), return_counts=True)
    keys = _place_keys(rejects)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    rank = np.arange(len(keys)) - np.searchsorted(ordered, ordered)
    at = np.minimum(np.searchsorted(places, ordered), max(len(places) - 1, 0))
    out = np.zeros(len(keys), bool)
    if len(places):
        out[order] = (places[at] == ordered) & (rank < counts[at])
    return out


def csv_of_rejects(rejects: pa.Table) -> Iterator[bytes]:
    """The CSV file of rejects in parts, which a person corrects and loads again."""
    found = (pc.unique(_Entries(part).heading).to_pylist() for part in _parts(rejects))
    names = list(dict.fromkeys(chain.from_iterable(found)))
    headings = harmless_text(pa.array([*REJECT_COLUMNS, *names])).to_pylist()
    empty = SCHEMA.empty_table()
    yield b"\xef\xbb\xbf"  # spreadsheets need a byte order mark for UTF-8
    for k, part in enumerate(chain([empty], _parts(rejects))):
        cells = _Entries(part).columns(len(part))
        own = [cells.get(name, pa.nulls(len(part), pa.string())) for name in names]
        leading = [part[name].combine_chunks().cast(pa.string()) for name in REJECT_COLUMNS]
        columns = [harmless_text(column) for column in (*leading, *own)]
        out = io.BytesIO()
        how = pa_csv.WriteOptions(include_header=k == 0)
        pa_csv.write_csv(pa.table(columns, names=headings), out, how)
        yield out.getvalue()
