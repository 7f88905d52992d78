"""The faults of a chunk: masks and templates of reasons, which are filled in for faulty rows only.

A reason is a template that is filled in for all rows at once. A wrong unit or a wrong site file
causes tens of thousands of faulty rows; this way they take little more time than good rows.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import joined, placed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Rows = NDArray[np.int64]

Fill = Callable[["Rows"], pa.Array]
"""A function from row positions to texts, both of shape (k,)."""

_PLACE = re.compile(r"\{(\w+)\}")


class Faults:
    """The faults of the n rows of one chunk.

    Attributes:
        bad: whether each row has a fault, shape (n,).
        stand_alone: whether each row is faulty as a whole, regardless of its fields, shape (n,).
    """

    def __init__(self, n: int) -> None:
        self.bad = np.zeros(n, bool)
        self.stand_alone = np.zeros(n, bool)
        self._found: list[tuple[str, Mask, str, Mapping[str, Fill]]] = []

    def add(self, name: str, mask: Mask, reason: str, fills: Mapping[str, Fill]) -> None:
        """Record rows whose field is faulty, with a template of the reason."""
        if mask.any():
            self.bad |= mask
            self._found.append((name, mask, reason, fills))

    def whole(self, rows: Rows, reason: str, fills: Mapping[str, Fill]) -> None:
        """Record rows that are faulty as a whole; the first such reason is the only one
        reported."""
        mask = np.zeros(len(self.bad), bool)
        mask[rows] = True
        mask &= ~self.stand_alone
        self.add("row", mask, reason, fills)
        self.stand_alone |= mask

    def of(self, rows: Rows) -> tuple[pa.Array, pa.Array]:
        """First faulty field and joined reasons of some faulty rows, each of shape (len(rows),)."""
        fields, reasons = [], []
        for name, mask, template, fills in self._found:
            here = mask[rows]
            if name != "row":
                here &= ~self.stand_alone[rows]
            if here.any():
                reasons.append(placed(filled(template, fills, rows[here]), here))
                fields.append(pc.if_else(pa.array(here), name, None))
        return pc.coalesce(*fields), joined(reasons, "; ")

    def by_field(self, row: int) -> dict[str, str]:
        """The faults of one row by field, ``row`` for those of the whole row."""
        found: dict[str, list[str]] = {}
        for name, mask, template, fills in self._found:
            if mask[row] and (name == "row" or not self.stand_alone[row]):
                said = filled(template, fills, np.array([row]))
                found.setdefault(name, []).append(said[0].as_py())
        return {name: "; ".join(said) for name, said in found.items()}


def filled(template: str, fills: Mapping[str, Fill], rows: Rows) -> pa.Array:
    """The template with its placeholders filled in for each row, shape (len(rows),)."""
    parts = _PLACE.split(template)
    if len(parts) == 1:
        return pa.repeat(template, len(rows))
    columns = [fills[part](rows) if k % 2 else pa.scalar(part) for k, part in enumerate(parts)]
    return pc.binary_join_element_wise(*columns, "")
