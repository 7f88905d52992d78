"""The one date that a sheet is of: in the lines above its headings, or in its name.

Times of day without a date are then read on that date. Where several dates stand in one place, or
one that can mean two days, the sheet has none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date

import pyarrow as pa

from optimizer.intake.checking.dates import Reading
from optimizer.intake.checking.times import times

_DATE = re.compile(
    r"(?<!\d)(?:\d{4}[-/._]\d{1,2}[-/._]\d{1,2}|\d{1,2}[-/._]\d{1,2}[-/._](?:\d{4}|\d{2})"
    r"|(?:19|20)\d{6}"
    r"|\d{1,2}(?:\. ?| |-|\.? ?de )[^\W\d_]{3,10}\.?(?:,? |-| de )\d{4}"
    r"|[^\W\d_]{3,10}\.? \d{1,2},? \d{4})(?!\d)"
)
_LATEST = 2**62


def date_of_sheet(titles: Iterable[str], name: str, how: Reading) -> tuple[date, str] | None:
    """The date of a sheet and where it stands; None where nothing tells one date.

    Args:
        titles: the cells above the headings.
        name: name of the log, of which the last part counts first: ``book.xlsx/2 March 2026``.
        how: how dates are read that can mean two days.
    """
    parts = name.split("/")
    for where, texts in (
        ("above the headings", list(titles)),
        *(("in the name", [re.sub(r"(?<=\d)_(?=\d)", "-", part)]) for part in reversed(parts)),
    ):
        cells = [match for text in texts for match in _DATE.findall(text)]
        if cells:
            return _one_day(cells, where, how)
    return None


def _one_day(cells: list[str], where: str, how: Reading) -> tuple[date, str] | None:
    written = pa.chunked_array([pa.array(cells, pa.string())])
    read = times(written, _LATEST, proof=0, how=Reading(stated=how.stated, usual=how.usual))
    if read.faults:
        return None
    days = {moment.date() for moment in read.values.to_pylist()}
    return (days.pop(), where) if len(days) == 1 else None
