"""The columns of a run besides its settings and material variables, each declared in one line.

Each line declares a column that logs may have. The column is then read, checked by its kind, stored
and exported. Any further meaning of a column belongs to the module that uses it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final, Literal, get_args

DeckState = Literal["even", "boiling", "sluggish", "starved", "flooded"]
"""States of the bed on the deck; each state except ``even`` is a failed trial (common practice)."""

DECK_STATES: Final[tuple[DeckState, ...]] = get_args(DeckState)
EVEN: Final[DeckState] = "even"
EXPECTED: Final = f"expected one of {', '.join(DECK_STATES)}"
"""End of the message about an unknown state."""


class Kind(Enum):
    """Kind of the cells of a column."""

    text = "text"
    time = "time"
    fraction = "fraction"
    count = "count"
    correlation = "correlation"


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
    RunColumn("lot", Kind.text),
)
AFTER_SETTINGS = (
    RunColumn("grade", Kind.fraction),
    RunColumn("recovery", Kind.fraction),
    RunColumn("grade_se", Kind.fraction),
    RunColumn("recovery_se", Kind.fraction),
    RunColumn("grade_count", Kind.count),
    RunColumn("grade_recovery_correlation", Kind.correlation),
    RunColumn("feed_grade_se", Kind.fraction),
    RunColumn("feed_grade_count", Kind.count),
    RunColumn("grade_feed_correlation", Kind.correlation),
    RunColumn("recovery_feed_correlation", Kind.correlation),
    RunColumn("middlings_share", Kind.fraction),
    RunColumn("middlings_share_se", Kind.fraction),
    RunColumn("middlings_grade", Kind.fraction),
    RunColumn("middlings_grade_se", Kind.fraction),
    RunColumn("deck_state", Kind.text),
    RunColumn("note", Kind.text),
)
RUN_COLUMNS = (*BEFORE_SETTINGS, *AFTER_SETTINGS)
FEED_GRADE_SE = "feed_grade_se"
"""Standard error of the feed grade, in the unit of the feed grade."""
JOINT_ERRORS = (
    "grade_recovery_correlation",
    FEED_GRADE_SE,
    "feed_grade_count",
    "grade_feed_correlation",
    "recovery_feed_correlation",
)
"""Columns that say how the errors of grade, recovery and feed grade belong together."""


OF_MIDDLINGS = (
    "middlings_share",
    "middlings_share_se",
    "middlings_grade",
    "middlings_grade_se",
)
"""Columns of middlings that are kept as a product: their share of the feed and their grade, with
standard errors."""
NOT_IDENTITY = (*JOINT_ERRORS, *OF_MIDDLINGS)
"""Columns that belong to the content of a run, and do not say which run a row is."""


def names_of(*kinds: Kind) -> tuple[str, ...]:
    """Names of the columns of the given kinds, in column order."""
    return tuple(column.name for column in RUN_COLUMNS if column.kind in kinds)
