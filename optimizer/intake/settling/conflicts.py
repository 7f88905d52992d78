"""Decides about rows whose run id is known with apparently different content.

Such rows wait until the load is written, because the run with that id may be in an earlier part of
this load. Then each row is compared with that run value by value. It is the same run if all values
agree within the precision of storage as single-precision numbers. Otherwise it is rejected, and the
reason names what differs.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, joined, one_array, placed
from optimizer.history.identity import CORE
from optimizer.history.start_times import shown
from optimizer.intake.settling.rejects import SCHEMA
from optimizer.plant.gates import SettingColumns
from optimizer.plant.run_columns import NOT_IDENTITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.intake.settling.load_report import FileTally

    Mask = NDArray[np.bool_]

# Relative tolerance, well above the differences that single precision and a change of unit can
# cause.
SAME = 1e-5


class Conflicts:
    """The disputed rows of one load.

    Args:
        settings: the columns of settings.
        material: names of material variables.
    """

    def __init__(self, settings: SettingColumns, material: Sequence[str]) -> None:
        readings = (*CORE[2:], *NOT_IDENTITY)
        before = (*CORE[1:2], "material", *settings.names)
        self.fields = (*before, *readings, "deck_state", *material)
        self._settings = settings
        self._runs: list[pa.RecordBatch] = []
        self._owner: list[NDArray[np.int64]] = []
        self._rejects: list[pa.Table] = []
        self._cells: list[pa.Table] = []
        self._tallies: list[tuple[FileTally, int]] = []

    def __bool__(self) -> bool:
        return any(len(batch) for batch in self._runs)

    def add(
        self,
        runs: pa.RecordBatch,
        owner: NDArray[np.int64],
        rejects: pa.Table,
        cells: pa.Table,
        tally: FileTally,
    ) -> None:
        """Add disputed runs, and the rows of a log that they were made from.

        Args:
            runs: the disputed runs.
            owner: index of the run that each row belongs to, shape (n,).
            rejects: the n rows as rejects whose reason is still empty.
            cells: the rows as written, one column for each field.
            tally: tally of the file of the rows.
        """
        before = sum(len(batch) for batch in self._runs)
        self._runs.append(runs)
        self._owner.append(owner + before)
        self._rejects.append(rejects)
        self._cells.append(cells)
        self._tallies.append((tally, len(rejects)))

    @property
    def places(self) -> pa.Array:
        """The lines and ids of the disputed runs, each once."""
        return pc.unique(pa.chunked_array([places_of_runs(batch) for batch in self._runs]))

    def correct(
        self, known: pa.Table, filled: Mapping[str, Collection[str]]
    ) -> tuple[pa.Table, pa.Table]:
        """Takes those disputed rows as corrections whose runs the history has.

        Each row must be one run. A row of a run that an earlier row corrected stays disputed,
        unless it agrees with that correction. The tallies are updated.

        Args:
            known: the stored runs with the disputed lines and ids.
            filled: for each log, by name, the fields that it lacks.

        Returns:
            The runs to correct, and the same runs corrected.
        """
        before, places = known, places_of_runs(known)
        done = np.zeros(len(known), bool)
        for k, (batch, (tally, _)) in enumerate(zip(self._runs, self._tallies, strict=True)):
            here = pa.Table.from_batches([batch])
            lacking = filled.get(tally.file, ())
            own = [n for n in (*self.fields, "note") if n in self._cells[k].column_names]
            own = [name for name in own if name not in lacking]
            # What a row says of all gates or of one may stand in another column of the run.
            own = list(dict.fromkeys(each for n in own for each in self._settings.family(n)))
            at = pc.fill_null(pc.index_in(places_of_runs(here), places), -1).to_numpy()
            first = np.zeros(len(at), bool)
            first[np.unique(at, return_index=True)[1]] = True
            first &= (at >= 0) & ~done[at]
            known, changed = corrected(known, here.filter(pa.array(first)), at[first], own)
            tally.corrected = (tally.corrected or 0) + int(changed.sum())
            done[at[first]] = changed
            later = np.flatnonzero((at >= 0) & ~first)
            _, differs = corrected(known, here.take(pa.array(later)), at[later], own)
            tally.already_known += int((~changed).sum() + (~differs).sum())
            left = at < 0
            left[later[differs]] = True
            self._keep(k, left)
        return before.filter(pa.array(done)), known.filter(pa.array(done))

    def _keep(self, k: int, left: Mask) -> None:
        """Keeps only some of the disputed rows that were added together."""
        chosen, count = pa.array(left), int(left.sum())
        self._runs[k] = self._runs[k].filter(chosen)
        self._rejects[k] = self._rejects[k].filter(chosen)
        self._cells[k] = self._cells[k].filter(chosen)
        self._tallies[k] = self._tallies[k][0], count
        start = sum(len(batch) for batch in self._runs[:k])
        self._owner[k] = np.arange(start, start + count)

    def settle(self, found: Iterator[pa.RecordBatch]) -> pa.Table:
        """The rows that differ from the known run, as rejects. The tallies are updated.

        Args:
            found: runs of the history that may have the disputed ids.
        """
        here = pa.Table.from_batches(self._runs)
        there = self._known(here, found)
        names = [name for name in self.fields if name in there.column_names]
        differs = {name: _differ(here[name], there[name]) for name in names}
        owner = np.concatenate(self._owner)
        unlike = np.logical_or.reduce(list(differs.values()))
        disputed = unlike[owner]
        start = 0
        for tally, n in self._tallies:
            wrong = int(disputed[start : start + n].sum())
            tally.rejected += wrong
            tally.already_known += n - wrong
            start += n
        rows = pa.array(unlike)
        masks = {name: mask[unlike] for name, mask in differs.items() if mask.any()}
        field, reason = _reasons(here.filter(rows), there.filter(rows), masks)
        at = pa.array((np.cumsum(unlike) - 1)[owner[disputed]])
        field, reason, chosen = field.take(at), reason.take(at), pa.array(disputed)
        cells = pa.concat_tables(self._cells, promote_options="default").filter(chosen)
        filled = {"field": field, "value": _cells_of(cells, field), "reason": reason}
        rejects = pa.concat_tables(self._rejects).filter(chosen)
        return pa.table([filled.get(n, rejects[n]) for n in SCHEMA.names], schema=SCHEMA)

    def _known(self, here: pa.Table, found: Iterator[pa.RecordBatch]) -> pa.Table:
        """The known run of each disputed row, in the order of the rows."""
        wanted = pc.unique(here["run_id"])
        parts = []
        for batch in found:
            part = batch.filter(pc.is_in(batch.column("run_id"), wanted))
            if len(part):
                parts.append(pa.Table.from_batches([part]))
        known = pa.concat_tables(parts, promote_options="default")
        # A history that began before these columns holds runs in which they are empty.
        for name in set(NOT_IDENTITY).difference(known.column_names):
            known = known.append_column(name, pa.nulls(len(known), here[name].type))
        return known.take(pc.index_in(places_of_runs(here), places_of_runs(known)))


def places_of_runs(runs: pa.Table | pa.RecordBatch) -> pa.Array:
    """Line and run id of each run as one text, shape (n,)."""
    parts = (one_array(runs[name]).cast(pa.string()) for name in ("line", "run_id"))
    return pc.binary_join_element_wise(*parts, "\0")


def corrected(
    known: pa.Table, rows: pa.Table, at: NDArray[np.int64], fields: Sequence[str]
) -> tuple[pa.Table, Mask]:
    """Known runs with the differing values of rows put in their place, and which rows differ.

    Args:
        known: m runs.
        rows: n runs, which have all the fields.
        at: position of the known run of each row, shape (n,).
        fields: names of the fields to compare.
    """
    there, changed = known.take(pa.array(at)), np.zeros(len(at), bool)
    for name in fields:
        values = one_array(rows[name])
        if name not in known.column_names:
            known = known.append_column(name, pa.nulls(len(known), values.type))
            there = there.append_column(name, pa.nulls(len(there), values.type))
        differs = _differ(rows[name], there[name])
        changed |= differs
        if not differs.any():
            continue
        source = np.arange(len(known))
        source[at[differs]] = len(known) + np.flatnonzero(differs)
        kind = known[name].type
        both = pa.concat_arrays([one_array(known[name]), values.cast(kind)])
        known = known.set_column(known.column_names.index(name), name, both.take(pa.array(source)))
    return known, changed


def _differ(a: pa.ChunkedArray, b: pa.ChunkedArray) -> Mask:
    """Which values differ, shape (n,); an empty value differs from a filled one, not from an empty
    one."""
    if pa.types.is_floating(a.type):
        x, y = a.to_numpy(), b.cast(a.type).to_numpy()
        same = np.isclose(x, y, rtol=SAME, atol=0.0, equal_nan=True)
        return np.asarray(~same, dtype=bool)
    unequal = as_mask(pc.not_equal(a, b.cast(a.type)))
    return np.asarray(unequal | (as_mask(a.is_null()) != as_mask(b.is_null())), dtype=bool)


def _reasons(
    here: pa.Table, there: pa.Table, differs: dict[str, Mask]
) -> tuple[pa.Array, pa.Array]:
    """First differing field, and reason, for each of some runs that all differ."""
    if not differs:
        return pa.array([], pa.string()), pa.array([], pa.string())
    said, fields = [], []
    for name, mask in differs.items():
        texts = pa.array(_said(name, here, there, np.flatnonzero(mask)), pa.string())
        said.append(placed(texts, mask))
        fields.append(pc.if_else(pa.array(mask), name, None))
    reason = pc.binary_join_element_wise(
        "run_id '", here["run_id"].combine_chunks(),
        "' of line '", here["line"].combine_chunks(),
        "' is already known with other values: ",
        joined(said, ", "),
        "; give this row its own run_id if it is another run", "",
    )  # fmt: skip
    return pc.coalesce(*fields), reason


def _cells_of(cells: pa.Table, field: pa.Array) -> pa.Array:
    """The cell of each row in the field given for that row; empty where the row has no such
    cell."""
    value = pa.repeat("", len(field))
    for name in pc.unique(field).drop_null().to_pylist():
        if name in cells.column_names:
            here = pc.fill_null(pc.equal(field, name), False)
            value = pc.if_else(here, pc.fill_null(cells[name].combine_chunks(), ""), value)
    return value


def _said(name: str, here: pa.Table, there: pa.Table, rows: NDArray[np.int64]) -> list[str]:
    """Sentences that compare the value of a field in some rows with that of the known runs."""
    at = pa.array(rows)
    pairs = zip(_values(there[name].take(at)), _values(here[name].take(at)), strict=True)
    return [f"{name} is {_shown(a)} there and {_shown(b)} here" for a, b in pairs]


def _values(column: pa.ChunkedArray) -> list[object]:
    if pa.types.is_timestamp(column.type):  # may be outside Python's dates
        moments = shown(pc.fill_null(column.cast(pa.int64()), 0)).tolist()
        return [
            moment.replace("T", " ").replace("Z", "+00:00") if filled else None
            for moment, filled in zip(moments, column.is_valid().to_pylist(), strict=True)
        ]
    return list(column.to_pylist())


def _shown(value: object) -> str:
    if value is None:
        return "empty"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
