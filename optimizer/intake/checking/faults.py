"""The faults of a chunk: masks and templates of reasons, filled in for the faulty rows only.

A reason is a template, filled for all rows at once: tens of thousands of faulty rows, which a
wrong unit or a wrong site file makes, cost little more than good ones.
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
"""Row positions to texts, both of shape (k,)."""

_PLACE = re.compile(r"\{(\w+)\}")


class Faults:
    """Faults of the n rows of one chunk.

    Attributes:
        bad: which rows have a fault, shape (n,).
        stand_alone: which rows are faulty as a whole, whatever their fields; shape (n,).
    """

    def __init__(self, n: int) -> None:
        self.bad = np.zeros(n, bool)
        self.stand_alone = np.zeros(n, bool)
        self._found: list[tuple[str, Mask, str, Mapping[str, Fill]]] = []

    def add(self, name: str, mask: Mask, reason: str, fills: Mapping[str, Fill]) -> None:
        """Notes rows whose field is at fault, and a template for the reason."""
        if mask.any():
            self.bad |= mask
            self._found.append((name, mask, reason, fills))

    def whole(self, rows: Rows, reason: str, fills: Mapping[str, Fill]) -> None:
        """Notes rows at fault as a whole: the first such reason stands alone."""
        mask = np.zeros(len(self.bad), bool)
        mask[rows] = True
        mask &= ~self.stand_alone
        self.add("row", mask, reason, fills)
        self.stand_alone |= mask

    def of(self, rows: Rows) -> tuple[pa.Array, pa.Array]:
        """First field at fault and joined reasons of some rows at fault, shape (len(rows),)."""
        fields, reasons = [], []
        for name, mask, template, fills in self._found:
            here = mask[rows]
            if name != "row":
                here &= ~self.stand_alone[rows]
            if here.any():
                reasons.append(placed(filled(template, fills, rows[here]), here))
                fields.append(pc.if_else(pa.array(here), name, None))
        return pc.coalesce(*fields), joined(reasons, "; ")


def filled(template: str, fills: Mapping[str, Fill], rows: Rows) -> pa.Array:
    """The template with its places filled, for each row; shape (len(rows),)."""
    parts = _PLACE.split(template)
    if len(parts) == 1:
        return pa.repeat(template, len(rows))
    columns = [fills[part](rows) if k % 2 else pa.scalar(part) for k, part in enumerate(parts)]
    return pc.binary_join_element_wise(*columns, "")
