"""One question about a row, or about a whole log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from optimizer.history.schema import FRACTIONS, declared_unit
from optimizer.history.start_times import shown
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.questioning.samples import START
from optimizer.plant.site import FEED_GRADE


@dataclass(frozen=True)
class Question:
    """A value that is possible but hard to believe.

    Attributes:
        file: name of the log.
        row: number of the row in the log; 0 for the log as a whole.
        run_id: id of the run; None for the log as a whole.
        field: name of the column.
        value: the value in the unit that the site declares; a time in ISO 8601.
        why: why it is asked about, and what it may be.
        line: line of the run; None where that was not kept.
    """

    file: str
    row: int
    run_id: str | None
    field: str
    value: str
    why: str
    line: str | None = None

    @property
    def sentence(self) -> str:
        """The reason as a whole sentence."""
        return self.why if self.why.endswith("?") else f"{self.why}."

    def as_dict(self) -> dict[str, Any]:
        """The question as an entry of ``highside.load/1``."""
        return {
            "file": self.file, "row": self.row, "run_id": self.run_id,
            "field": self.field, "value": self.value, "why": self.why,
        }  # fmt: skip


class Wording:
    """Writes stored values of one line as people write them.

    Args:
        units: units of the history and of the plant, in which values are written.
        line: name of the line.
    """

    def __init__(self, units: StoredUnits, line: str) -> None:
        self._units, self.line = units, line

    def value(self, name: str, stored: float) -> str:
        """A value without its unit."""
        if name == START:
            return shown_time(stored)
        return f"{self._typed(name, stored):.6g}"

    def said(self, name: str, stored: float) -> str:
        """A value with its unit; a share in per cent, since forms and sheets take it so."""
        if name == START:
            return shown_time(stored)
        if name in (*FRACTIONS, FEED_GRADE):
            return f"{100.0 * stored:.4g} %"
        unit = declared_unit(self._units.site, name, self.line)
        return f"{self._typed(name, stored):.4g} {unit}".rstrip()

    def _typed(self, name: str, stored: float) -> float:
        if name.endswith("_count"):
            return stored
        back = self._units.conversion(name, self.line).inverse
        return float(back(np.array([stored]))[0])


def shown_time(stored: float) -> str:
    """A time in microseconds since 1970 in ISO 8601, to the second."""
    return str(shown(pa.array([int(stored) // 1_000_000 * 1_000_000]))[0])
