"""The columns of a run besides its settings and material variables, each declared in one line.

Each line declares a column that logs may have. The column is then read, checked by its kind, stored
and exported. Any further meaning of a column belongs to the module that uses it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """Kind of the cells of a column."""

    text = "text"
    time = "time"
    fraction = "fraction"
    count = "count"


@dataclass(frozen=True)
class RunColumn:
    """One column of a run.

    Attributes:
        name: name in logs, in the history and in exports.
        kind: kind of its cells.
    """

    name: str
    kind: Kind


BEFORE_SETTINGS = (
    RunColumn("run_id", Kind.text),
    RunColumn("line", Kind.text),
    RunColumn("started_at", Kind.time),
    RunColumn("material", Kind.text),
)
AFTER_SETTINGS = (
    RunColumn("grade", Kind.fraction),
    RunColumn("recovery", Kind.fraction),
    RunColumn("grade_se", Kind.fraction),
    RunColumn("recovery_se", Kind.fraction),
    RunColumn("grade_count", Kind.count),
    RunColumn("deck_state", Kind.text),
    RunColumn("note", Kind.text),
)
RUN_COLUMNS = (*BEFORE_SETTINGS, *AFTER_SETTINGS)


def names_of(*kinds: Kind) -> tuple[str, ...]:
    """Names of the columns of the given kinds, in column order."""
    return tuple(column.name for column in RUN_COLUMNS if column.kind in kinds)
