"""Finds the row of a log that holds its headings, below titles and above a row of units."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

from optimizer.intake.reading.columns import Headings, is_rejects_file
from optimizer.text.headings import with_unit

FEWEST = 2
"""Smallest number of cells that name fields in a row of headings."""
_NUMBER = re.compile(r"\d")


@dataclass(frozen=True)
class FoundHeadings:
    """The headings of a log.

    Args:
        at: position of the row of headings.
        used: number of rows before the first row of data, including title lines and units.
        headings: headings as written, with units of the row below appended.
        repeats: the rows of headings and of units as written.
        count: number of fields that the headings name.
        titles: the filled cells above the headings.
    """

    at: int
    used: int
    headings: tuple[str, ...]
    repeats: tuple[tuple[str, ...], ...]
    count: int
    titles: tuple[str, ...] = ()


def find_headings(rows: Sequence[Sequence[str]], known: Headings) -> FoundHeadings:
    """The headings: the first row that names the most fields, else the first filled row.

    Args:
        rows: the first rows of a log, including blank rows.
        known: names of fields.
    """
    filled = [k for k, row in enumerate(rows) if any(cell.strip() for cell in row)]
    enough, counts = len(known.site.wholes), {}
    for k in filled:
        if is_rejects_file(rows[k]):
            names = tuple(rows[k])
            return FoundHeadings(k, k + 1, names, (names,), max(known.count(names), FEWEST))
        counts[k] = known.count(rows[k])
        if counts[k] > enough:  # no row of data names this many fields
            break
    at = max(counts, key=lambda k: (counts[k], -k))
    if counts[at] < FEWEST:
        at = filled[0]
    names = tuple(rows[at])
    titles = tuple(cell.strip() for row in rows[:at] for cell in row if cell.strip())
    below = next((k for k in filled if k > at), at)
    units = _units(names, rows[below], known) if below > at else ()
    if not units:
        return FoundHeadings(at, at + 1, names, (names,), counts[at], titles)
    headings = tuple(
        with_unit(name, unit if known.takes_unit(name) else "")
        for name, unit in zip(names, units, strict=False)
    )
    repeats = names, tuple(rows[below])
    return FoundHeadings(at, below + 1, headings, repeats, counts[at], titles)


def _units(names: Sequence[str], row: Sequence[str], known: Headings) -> tuple[str, ...]:
    """The units in the row below the headings; empty when that row holds data."""
    if len(row) > len(names) or any(_NUMBER.search(cell) for cell in row):
        return ()
    cells = [cell.strip().strip("[]()").strip() for cell in row]
    pairs = list(zip_longest(names, cells, fillvalue=""))
    fields = [(known.takes_unit(name), unit) for name, unit in pairs]
    named = [
        unit
        for field, unit in fields
        if field and unit.strip("-") and not known.unit_problem(field, unit)
    ]
    return (
        tuple(unit if unit.strip("-") else "" for _, unit in pairs) if len(named) >= FEWEST else ()
    )


def is_heading_row(cells: Sequence[str], headings: Sequence[str], known: Headings) -> bool:
    """Whether a row names at least half as many fields as a log's headings, in any order."""
    count = known.count(cells)
    return count > FEWEST and 2 * count >= known.count(headings)
