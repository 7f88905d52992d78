"""The label of the material (variety, type of lot) of past runs and of today.

While today's label has few set-points, labels are groups of runs, as lines are: the surrogate
estimates how closely today's label agrees with the others, and so what their runs say of it. Once
it has many, each label is an input that is 0 or 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.evidence.borrowing import knows_enough
from optimizer.plant.settings import SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LABEL = "material"
# Labels are groups where there are at most MOST_GROUPS, and inputs where there are at most
# MOST_INPUTS with FEWEST_RUNS runs each; where there are more, they are names of lots.
MOST_GROUPS, MOST_INPUTS, FEWEST_RUNS = 20, 6, 5


@dataclass(frozen=True)
class Labels:
    """The label of today's material and of each run, as inputs of a model.

    Attributes:
        today: today's label: that of the brief, else that of the latest run; None where neither has
            one.
        others: the other labels of the runs where labels are groups, in the order of their numbers;
            else empty.
        number: number of each run's group, shape (n,): 0 for today's label, 1 and up for the
            others, and one more for runs without a label; all 0 where labels are not groups.
        inputs: 1 where a run has a label, else 0, one column for each label where labels are
            inputs, shape (n, m).
        inputs_today: the same of today's material, shape (m,).
    """

    today: str | None
    others: tuple[str, ...]
    number: Floats
    inputs: Floats
    inputs_today: Floats


def labels_of(runs: pa.Table, asked: str | None, space: SettingSpace) -> Labels:
    """The labels of runs.

    Args:
        runs: the runs, n rows.
        asked: the label that the brief states; None where it states none.
        space: the settings of the runs.
    """
    n = runs.num_rows
    texts = np.full(n, "", dtype=object)
    if LABEL in runs.column_names and n:
        texts = np.array(pc.fill_null(runs[LABEL].cast("string"), "").to_pylist(), dtype=object)
    named = np.flatnonzero(texts != "")
    today = asked if asked is not None or not len(named) else str(texts[named[-1]])
    kinds, counts = np.unique(texts[named].astype(str), return_counts=True)
    others = tuple(str(kind) for kind in kinds if kind != today)
    number, none = np.zeros(n), np.zeros((n, 0))
    few = not knows_enough(runs.filter(pa.array(texts == today, pa.bool_())), space)
    if few and 1 <= len(others) < MOST_GROUPS:
        numbers: dict[str | None, float] = {
            today: 0.0,
            **{label: k for k, label in enumerate((*others, ""), 1)},
        }
        number = np.array([numbers[text] for text in texts], dtype=float)
        return Labels(today, others, number, none, np.zeros(0))
    if not 1 < len(kinds) <= MOST_INPUTS or counts.min() < FEWEST_RUNS:
        return Labels(today, (), number, none, np.zeros(0))
    each, now = texts[:, None] == kinds, kinds == today
    return Labels(today, (), number, each.astype(float), now.astype(float))
