"""The options of a load."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypedDict

from optimizer.errors import InputError, nearest
from optimizer.intake.reading.edited_rows import Edits
from optimizer.plant.moments import DATE_ORDERS, DateOrder

LONGEST_REASON = 2000
"""Largest number of characters of the reason of a change."""


@dataclass(frozen=True)
class Correcting:
    """Why rows whose run id is known correct the runs with these ids, and who says so.

    Args:
        reason: why the runs are corrected.
        by: who corrects them; None where that is not known.

    Raises:
        InputError: when the reason is blank.
    """

    reason: str
    by: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "reason", checked_reason(self.reason))


def checked_reason(reason: str | None) -> str:
    """The reason of a change, without blanks around it.

    Raises:
        InputError: when there is none, or it is too long.
    """
    found = (reason or "").strip()
    if not found:
        raise InputError(
            "a change of a run needs a reason.", code="no-reason",
            hint="Give it with --reason TEXT; it is kept with the change.",
        )  # fmt: skip
    if len(found) > LONGEST_REASON:
        raise InputError(
            f"the reason has {len(found)} characters, and at most {LONGEST_REASON} are kept.",
            code="no-reason",
        )
    return found


class HowRead(TypedDict, total=False):
    """How logs are read; each entry that is left out keeps its default.

    Attributes:
        line: line of the rows that name none.
        mapping: mapping from heading to ``field``, ``field [unit]`` or ``ignore``.
        samples: whether rows are readings over time; one run is then made of the readings of a line
            at unchanged settings without a gap (see ``optimizer.intake.stretches``).
        date_order: order of day, month and year in dates that can mean two days; None for the
            site's (see ``LoadOptions``).
        pictured: whether the report of the load tells what was made of readings over time.
        sheet_date: day of the clock times that stand without a date (see ``LoadOptions``).
    """

    line: str | None
    mapping: Mapping[str, str] | None
    samples: bool
    date_order: DateOrder | None
    pictured: bool
    sheet_date: date | None


@dataclass(frozen=True)
class LoadOptions:
    """Options of a load, which hold for all its logs.

    Args:
        line: line of the rows that name none.
        mapping: mapping from heading to ``field``, ``field [unit]`` or ``ignore``.
        dry_run: whether the load only reports what would happen and writes nothing.
        samples: whether rows are readings over time, of which several make a run.
        trials: whether the log is a trial sheet, in which a row without any result is a trial
            that was not run yet.
        sheet_date: day of the clock times that stand without a date, such as ``08:30``; when None,
            the one that stands above the headings or in the name of the log. A column ``date`` of
            the log has precedence.
        correcting: why rows whose run id is known with other content correct the runs with these
            ids; such rows are rejected when None.
        sure: whether rows that raise questions are stored; if not, a question refuses the load.
        date_order: order of day, month and year in dates that can mean two days and that no other
            date of their column explains; None for the site's order. Such a date is rejected where
            there is none.
        logs: names of the logs to read, such as ``book.xlsx/March``; None for all.
        pictured: whether the report tells what was made of readings over time.
        edits: cells, one for each heading, that stand in place of those of a row, by the name of
            its log and its number.

    Raises:
        InputError: when the line has a blank name, the order of dates is unknown, or readings over
            time are to correct runs.
    """

    line: str | None = None
    mapping: Mapping[str, str] | None = None
    dry_run: bool = False
    samples: bool = False
    trials: bool = False
    sheet_date: date | None = None
    correcting: Correcting | None = None
    sure: bool = True
    date_order: DateOrder | None = None
    logs: Collection[str] | None = None
    pictured: bool = False
    edits: Edits = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.line is not None:
            if not self.line.strip():
                raise InputError("the line must have a name.", hint="Give it with --line NAME.")
            object.__setattr__(self, "line", self.line.strip())
        if self.date_order not in (None, *DATE_ORDERS):
            raise InputError(
                f"'{self.date_order}' is not an order of day, month and year.",
                hint=nearest(str(self.date_order), DATE_ORDERS),
            )
        if self.correcting is not None and self.samples:
            raise InputError("readings over time cannot correct runs: leave --samples out.")

    def reads(self, log: str) -> bool:
        """Whether the load reads the log of this name."""
        return self.logs is None or log in self.logs


DEFAULTS = LoadOptions()
"""Options for a log of runs, with no line, mapping or special reading."""
