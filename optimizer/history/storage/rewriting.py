"""Copies data files with some of their runs replaced or left out.

The old files stay in place for the earlier versions; the commit that adds the copies removes the
old files from the table. The other runs of a file keep their order and their values.
"""

from __future__ import annotations

import io
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from deltalake import DeltaTable
from deltalake.transaction import RemoveAction

from optimizer.errors import HistoryError
from optimizer.history.storage.log_hashes import read_file
from optimizer.history.storage.place import Place
from optimizer.history.storage.run_files import (
    GROUP_ROWS,
    DataFile,
    is_changed,
    removal,
    stated_files,
    stated_hash,
)
from optimizer.history.storage.table import files_of


@dataclass(frozen=True)
class _Changed:
    """The changed runs of one line.

    Args:
        ids: ids of the runs; the first ones are replaced, and the rest is left out.
        put: the runs that replace the first ones, in that order.
    """

    ids: pa.Array
    put: pa.Table

    @cached_property
    def in_order(self) -> list[str]:
        """The ids in the order of text."""
        return sorted(self.ids.to_pylist())

    def may_be_in(self, file: DataFile) -> bool:
        """Whether a file may hold one of the runs, by the range of ids that the log states."""
        low, high = (ends.get("run_id") for ends in (file.low, file.high))
        # Other programs may state shortened ends.
        if stated_hash(file.path) is None or not isinstance(low, str) or not isinstance(high, str):
            return True
        at = bisect_left(self.in_order, low)
        return at < len(self.in_order) and self.in_order[at] <= high


class Rewriting:
    """Rewrites the data files of one version that hold changed runs.

    Args:
        place: location of the history.
        table: the table, opened at the version; None for an empty history.

    Attributes:
        version: the version; None for an empty history.
        removed: the actions that remove the old files; complete once ``batches`` has ended.

    Raises:
        HistoryError: from ``batches``, when a file that may hold a changed run is damaged.
    """

    def __init__(self, place: Place, table: DeltaTable | None) -> None:
        self._place, self._table = place, table
        self.version = None if table is None else table.version()
        self.removed: list[RemoveAction] = []

    def batches(
        self, replaced: pa.Table | None, left_out: Mapping[str, Sequence[str]]
    ) -> Iterator[pa.RecordBatch]:
        """The runs of all files that hold changed runs, file by file, with the changes made.

        Args:
            replaced: stored runs, each of which takes the place of the run with its line and id.
            left_out: for each line, the ids of the runs to leave out.
        """
        changed = _by_line(replaced, left_out)
        found = 0
        for file in [] if self._table is None else stated_files(files_of(self._table)):
            own = changed.get(file.line)
            if own is None or not own.may_be_in(file):
                continue
            content = self._sound(file)
            held = pq.read_table(io.BytesIO(content), columns=["run_id"])["run_id"]
            here = pc.sum(pc.is_in(held.cast(pa.string()), own.ids)).as_py() or 0
            if here:
                found += here
                self.removed.append(removal(file, data_change=True))
                for batch in pq.ParquetFile(io.BytesIO(content)).iter_batches(GROUP_ROWS):
                    yield from _with_changes(batch, file.line, own)
        lacking = sum(len(own.ids) for own in changed.values()) - found
        if lacking:
            raise self._place.damaged(f"it lacks {lacking} of the runs to change")

    def _sound(self, file: DataFile) -> bytes:
        """The bytes of a file, which are those that were written."""
        try:
            content = read_file(self._place.filesystem, file.path)
        except (OSError, pa.ArrowException) as error:
            raise self._place.damaged(error) from None
        if len(content) != file.size or is_changed(file.path, content):
            raise self._damaged(file)
        return content

    def _damaged(self, file: DataFile) -> HistoryError:
        return self._place.damaged(f"the bytes of {file.path} are not those that were written")


def _by_line(
    replaced: pa.Table | None, left_out: Mapping[str, Sequence[str]]
) -> dict[str, _Changed]:
    """The changed runs of each line."""
    lines = [] if replaced is None else pc.unique(replaced["line"]).to_pylist()
    changed = {}
    for line in dict.fromkeys([*lines, *left_out]):
        put = pa.table({"run_id": pa.array([], pa.string())})
        if replaced is not None:
            put = replaced.filter(pc.equal(replaced["line"], line)).combine_chunks()
        ids = [*put["run_id"].to_pylist(), *left_out.get(line, ())]
        changed[line] = _Changed(pa.array(ids, pa.string()), put)
    return changed


def _with_changes(batch: pa.RecordBatch, line: str, changed: _Changed) -> Iterator[pa.RecordBatch]:
    """The runs of a part of a file with the changes made; nothing when all are left out."""
    runs = pa.Table.from_batches([batch])
    place = pc.index_in(batch.column("run_id").cast(pa.string()), changed.ids)
    at = pc.fill_null(place, -1).to_numpy()
    rows = np.where(at < 0, np.arange(len(runs)), len(runs) + at)[at < len(changed.put)]
    if (at >= 0).any() and len(changed.put):
        put = _like(changed.put, runs.schema)
        runs = pa.concat_tables([runs, put], promote_options="default")
    if len(rows):
        runs = runs.take(pa.array(rows)).append_column("line", pa.repeat(line, len(rows)))
        yield from runs.combine_chunks().to_batches()


def _like(put: pa.Table, schema: pa.Schema) -> pa.Table:
    """Runs with the columns of a file, and those further columns in which they have values."""
    columns = {
        field.name: put[field.name].cast(field.type)
        if field.name in put.column_names
        else pa.nulls(len(put), field.type)
        for field in schema
    }
    for name in put.column_names:
        if name != "line" and put[name].null_count < len(put):
            columns.setdefault(name, put[name])
    return pa.table(columns)
