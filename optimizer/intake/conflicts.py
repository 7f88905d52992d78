"""Rows whose run id is known with, it seems, other content.

They wait until the load is written, because the run with the same id may stand earlier in the
same load; then each is compared value by value. It is the same run when all agree within what
storage in single precision loses, and is rejected otherwise, naming what differs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.intake.identity import CORE
from optimizer.intake.values import as_mask

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.intake.rejects import Reject

    Mask = NDArray[np.bool_]
    from optimizer.intake.report import FileTally

# Relative difference that single precision and a change of unit can make, with room to spare.
SAME = 1e-5


class Conflicts:
    """Disputed rows of one load.

    Args:
        settings, material: names of settings and of material variables.
    """

    def __init__(self, settings: Sequence[str], material: Sequence[str]) -> None:
        self.fields = (*CORE[1:2], "material", *settings, *CORE[2:], "deck_state", *material)
        self._runs: list[pa.RecordBatch] = []
        self._rows: list[tuple[Reject, dict[str, str], FileTally]] = []

    def __bool__(self) -> bool:
        return bool(self._rows)

    def add(
        self,
        runs: pa.RecordBatch,
        rejects: Sequence[Reject],
        cells: Sequence[dict[str, str]],
        tally: FileTally,
    ) -> None:
        """Takes disputed rows: as runs, as rejects still without a reason, and as they stood."""
        self._runs.append(runs)
        self._rows += [(r, c, tally) for r, c in zip(rejects, cells, strict=True)]

    def settle(self, found: Iterator[pa.RecordBatch]) -> list[Reject]:
        """Rows that stay disputed, as rejects; the tallies are brought up to date.

        Args:
            found: runs that may have the disputed ids.
        """
        here = pa.Table.from_batches(self._runs)
        there = self._known(here, found)
        differs = {
            name: _differ(here[name], there[name])
            for name in self.fields
            if name in there.column_names
        }
        rejects = []
        for k, (reject, cells, tally) in enumerate(self._rows):
            names = [name for name, mask in differs.items() if mask[k]]
            if not names:
                tally.already_known += 1
                continue
            tally.rejected += 1
            said = ", ".join(
                f"{name} is {_shown(there[name][k])} there and {_shown(here[name][k])} here"
                for name in names
            )
            reason = (
                f"run_id '{here['run_id'][k]}' of line '{here['line'][k]}' is already known with "
                f"other values: {said}; give this row its own run_id if it is another run"
            )
            value = cells.get(names[0], "")
            rejects.append(replace(reject, field=names[0], value=value, reason=reason))
        return rejects

    def _known(self, here: pa.Table, found: Iterator[pa.RecordBatch]) -> pa.Table:
        """The known run of each disputed row, in their order."""
        wanted = pc.unique(here["run_id"])
        parts = []
        for batch in found:
            part = batch.filter(pc.is_in(batch.column("run_id"), wanted))
            if len(part):
                parts.append(pa.Table.from_batches([part]))
        known = pa.concat_tables(parts, promote_options="default")
        at = {key: k for k, key in reversed(list(enumerate(_places(known))))}
        return known.take(pa.array([at[key] for key in _places(here)]))


def _places(runs: pa.Table) -> Iterator[tuple[str, str]]:
    return zip(runs["line"].to_pylist(), runs["run_id"].to_pylist(), strict=True)


def _differ(a: pa.ChunkedArray, b: pa.ChunkedArray) -> Mask:
    """Which values differ, shape (n,); empty and filled differ, empty and empty do not."""
    if pa.types.is_floating(a.type):
        x, y = a.to_numpy(), b.cast(a.type).to_numpy()
        same = np.isclose(x, y, rtol=SAME, atol=0.0, equal_nan=True)
        return np.asarray(~same, dtype=bool)
    unequal = as_mask(pc.not_equal(a, b.cast(a.type)))
    return np.asarray(unequal | (as_mask(a.is_null()) != as_mask(b.is_null())), dtype=bool)


def _shown(value: pa.Scalar) -> str:
    plain = value.as_py()
    if plain is None:
        return "empty"
    return f"{plain:.6g}" if isinstance(plain, float) else str(plain)
