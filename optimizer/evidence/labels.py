"""The label of the material (variety, type of lot) of past runs and of today, as groups of runs.

Labels resemble each other as lines do: the surrogate estimates how closely today's label agrees
with the others, and so what their runs say of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LABEL = "material"
# Where there are more labels than this, they are names of lots, and are left out of the model.
MOST_LABELS = 20


@dataclass(frozen=True)
class Labels:
    """The label of today's material and of each run.

    Attributes:
        today: today's label: that of the brief, else that of the latest run; None where neither has
            one.
        others: the other labels of the runs, in the order of their numbers; empty where runs are
            taken as of one label.
        number: number of each run's label, shape (n,): 0 for today's label, 1 and up for the
            others, and one more for runs without a label.
    """

    today: str | None
    others: tuple[str, ...]
    number: Floats


def labels_of(runs: pa.Table, asked: str | None) -> Labels:
    """The labels of runs.

    Args:
        runs: the runs, n rows.
        asked: the label that the brief states; None where it states none.
    """
    texts = np.full(runs.num_rows, "", dtype=object)
    if LABEL in runs.column_names and runs.num_rows:
        texts = np.array(pc.fill_null(runs[LABEL].cast("string"), "").to_pylist(), dtype=object)
    named = np.flatnonzero(texts != "")
    today = asked if asked is not None or not len(named) else str(texts[named[-1]])
    others = tuple(sorted(set(texts[named].tolist()) - {today}))
    if not 1 <= len(others) < MOST_LABELS:
        return Labels(today, (), np.zeros(runs.num_rows))
    numbers = {today: 0.0, **{label: k for k, label in enumerate((*others, ""), 1)}}
    return Labels(today, others, np.array([numbers[t] for t in texts]))
