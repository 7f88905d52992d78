"""Which runs a person wants to see, and in which order: the query of an address, and whole columns
chosen and sorted by it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial, reduce
from typing import TypeVar
from urllib.parse import urlencode

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.plant.run_columns import DECK_STATES
from optimizer.plant.site import Site
from optimizer.plant.time_zone import TimeZone
from optimizer.service.answers.run_tables import WITHDRAWN
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.service.exchange.typed_numbers import fraction, whole

SHOWN = 100
"""Number of runs of a page."""
RANGES = ("grade_low", "grade_high", "recovery_low", "recovery_high")
FILTERS = ("line", "since", "until", "text", "state", *RANGES, "withdrawn")
"""Fields of the form that chooses runs."""
FIELDS = (*FILTERS, "sort", "order", "page", "as_of")
"""Parameters of the address of a list of runs; others are ignored."""
NOT_STATED = "not stated"
"""Choice of the runs whose deck state is not known."""
STATES = (*DECK_STATES, NOT_STATED)
ALSO, ONLY = "also", "only"
"""Choices that show withdrawn runs, beside the others or alone."""
NEWEST = ("started_at", True)
"""Column and direction of the order in which runs stand where no other is asked for."""
SEARCHED = ("run_id", "note", "material")
LAST_DAY = date(9999, 12, 30)

T = TypeVar("T")


@dataclass(frozen=True)
class Choice:
    """The runs that a person asked for.

    Attributes:
        typed: fields of the address as they were typed, without empty ones.
        faults: what is wrong, by name of the field.
        since, until: the earliest start, and the start from which on no run is chosen.
        ranges: lowest and highest grade and recovery that are chosen, fractions, by name of the
            field.
        page: number of the page, from 1.
        as_of: version of the history; None for the latest.
    """

    typed: Mapping[str, str]
    faults: Mapping[str, str] = field(default_factory=dict)
    since: datetime | None = None
    until: datetime | None = None
    ranges: Mapping[str, float] = field(default_factory=dict)
    page: int = 1
    as_of: int | None = None

    @property
    def filtered(self) -> bool:
        """Whether some runs may be left out that are shown without the choice."""
        return any(name in self.typed for name in FILTERS)

    @property
    def sort(self) -> tuple[str, bool]:
        """Column by which runs are sorted, and whether in descending order."""
        if "sort" not in self.typed:
            return NEWEST
        return self.typed["sort"], self.typed.get("order") == "down"

    def address(self, path: str = "/runs", **changed: object) -> str:
        """The address of a list with the same choice and some fields changed; None drops one."""
        fields = {**self.typed, **changed}
        query = urlencode({name: text for name, text in fields.items() if text is not None})
        return f"{path}?{query}" if query else path

    def cleared(self) -> str:
        """The address of the same list with all runs."""
        kept = {name: text for name, text in self.typed.items() if name not in (*FILTERS, "page")}
        return Choice(kept).address()

    def by_column(self, name: str) -> str:
        """The address of the list sorted by a column, in the other direction if it is that one."""
        column, down = self.sort
        order = "up" if (column == name and down) else "down" if column == name else None
        return self.address(sort=name, order=order, page=None)


def read_choice(query: Mapping[str, str], site: Site) -> Choice:
    """The choice that the query of an address states.

    Raises:
        Problem: when a field that no person types is not what the pages write.
    """
    typed = {name: query[name].strip() for name in FIELDS if query.get(name, "").strip()}
    _check(typed, "order", ("up", "down"))
    page = whole(typed["page"], "page") if "page" in typed else 1
    as_of = whole(typed["as_of"], "as_of") if "as_of" in typed else None
    faults: dict[str, str] = {}
    zone = site.time_zone
    days = {
        "since": _read(typed, "since", faults, partial(_day, zone=zone, last=False)),
        "until": _read(typed, "until", faults, partial(_day, zone=zone, last=True)),
    }
    ranges = {
        name: _read(typed, name, faults, partial(fraction, field=_label(name))) for name in RANGES
    }
    for name, known in (("state", STATES), ("withdrawn", (ALSO, ONLY))):
        if typed.get(name, known[0]) not in known:
            faults[name] = f"Choose one of: {', '.join(known)}."
    for name in ("line", "text"):
        if len(typed.get(name, "")) > LONGEST_NAME:
            faults[name] = f"Write at most {LONGEST_NAME} characters."
    known_ranges = {name: value for name, value in ranges.items() if value is not None}
    return Choice(typed, faults, days["since"], days["until"], known_ranges, max(1, page), as_of)


def _check(typed: Mapping[str, str], name: str, known: tuple[str, ...]) -> None:
    if typed.get(name, known[0]) not in known:
        said = f"{name}: expected one of {', '.join(known)}."
        raise Problem(422, said, code="invalid-value")


def _read(
    typed: Mapping[str, str], name: str, faults: dict[str, str], read: Callable[[str], T]
) -> T | None:
    """The value of a field; None where it is empty or, with its fault noted, cannot be read."""
    if name not in typed:
        return None
    try:
        return read(typed[name])
    except Problem as error:
        faults[name] = f"{error.message} {error.hint}".strip()
        return None


def _label(name: str) -> str:
    what, _, end = name.partition("_")
    return f"{what.capitalize()} {'from' if end == 'low' else 'to'}"


def _day(text: str, zone: TimeZone, last: bool) -> datetime:
    """The first moment of a day of the plant, or for the last day of a period, of the next day.

    Raises:
        Problem: when the text is not a day.
    """
    try:
        day = date.fromisoformat(text)
        return zone.instant(min(day, LAST_DAY) + timedelta(days=last))
    except (ValueError, OverflowError):
        raise Problem(
            422, f"'{text[:40]}' is not a day.", code="not-a-day",
            hint="Write year-month-day, such as 2026-03-02.",
        ) from None  # fmt: skip


# -- whole columns ---------------------------------------------------------------------------


def chosen(runs: pa.Table, choice: Choice) -> pa.Table:
    """The runs that a choice names, in the order in which they stand.

    Args:
        runs: runs with the column ``WITHDRAWN``.
        choice: a choice without faults.
    """
    typed = choice.typed
    masks = []
    if typed.get("withdrawn") != ALSO:
        gone = runs[WITHDRAWN]
        masks.append(gone if typed.get("withdrawn") == ONLY else pc.invert(gone))
    if "line" in typed:
        masks.append(pc.equal(runs["line"], typed["line"]))
    if choice.since is not None:
        masks.append(pc.greater_equal(runs["started_at"], choice.since))
    if choice.until is not None:
        masks.append(pc.less(runs["started_at"], choice.until))
    if "text" in typed:
        found = (
            pc.match_substring(runs[name], typed["text"], ignore_case=True) for name in SEARCHED
        )
        masks.append(reduce(pc.or_, (pc.fill_null(each, False) for each in found)))
    if "state" in typed:
        stated = typed["state"] != NOT_STATED
        column = runs["deck_state"]
        masks.append(pc.equal(column, typed["state"]) if stated else pc.is_null(column))
    for name, bound in choice.ranges.items():
        what, _, end = name.partition("_")
        compare = pc.greater_equal if end == "low" else pc.less_equal
        masks.append(compare(runs[what], bound))
    if not masks:
        return runs
    return runs.filter(reduce(pc.and_, (pc.fill_null(mask, False) for mask in masks)))


def in_order(runs: pa.Table, choice: Choice) -> pa.Array:
    """Positions of the runs in the order of a choice, shape (n,); empty cells come last.

    Runs with equal cells keep their order.

    Raises:
        Problem: when there is no such column.
    """
    column, down = choice.sort
    if column not in runs.column_names:
        raise Problem(422, f"there is no column '{column[:60]}'.", code="no-such-column")
    return pc.sort_indices(runs, sort_keys=[(column, "descending" if down else "ascending")])
