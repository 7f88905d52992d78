"""What a history holds, line by line: runs, set-points, dates, materials, gaps."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.plant.deck_states import EVEN
from optimizer.plant.site import Site

GAP_DAYS = 7.0
"""A pause longer than this is worth naming: the deck may have changed in it."""
GAPS_NAMED = 3
MICROSECONDS_A_DAY = 86_400_000_000
# Settings that agree to this many digits are one set-point; conversions keep far more.
SET_POINT_DIGITS = 9


def summarize(lines: Iterable[pa.Table], site: Site) -> dict[str, Any]:
    """Counts of runs and what each line has.

    Args:
        lines: runs of each line, in the site's units and sorted; one at a time is in memory.
        site: the plant.
    """
    each = [_line(runs["line"][0].as_py(), runs, site) for runs in lines if runs.num_rows]
    return {"runs": sum(line["runs"] for line in each), "lines": each}


def _line(line: str, runs: pa.Table, site: Site) -> dict[str, Any]:
    started = runs["started_at"].drop_null()
    failed = pc.sum(pc.not_equal(runs["deck_state"], EVEN)).as_py() or 0
    return {
        "line": line,
        "runs": runs.num_rows,
        "set_points": set_points(runs, site.space.names),
        "first": iso(started[0].as_py()) if len(started) else None,
        "last": iso(started[-1].as_py()) if len(started) else None,
        "failed": failed,
        "materials": sorted(pc.unique(runs["material"].drop_null()).to_pylist()),
        "settings": _ranges(line, runs, site),
        "gaps": _gaps(started),
    }


def set_points(runs: pa.Table, settings: tuple[str, ...]) -> int:
    """Number of distinct combinations of settings."""
    if runs.num_rows == 0:
        return 0
    rounded = [pc.round(runs[name], SET_POINT_DIGITS) for name in settings]
    table = pa.table(rounded, names=list(settings))
    return int(table.group_by(list(settings)).aggregate([]).num_rows)


def _ranges(line: str, runs: pa.Table, site: Site) -> dict[str, Any]:
    """Lowest and highest value tried of each setting."""
    ranges = {}
    for setting in site.space_of(line).settings:
        ends = pc.min_max(runs[setting.name]).as_py()
        ranges[setting.name] = {"unit": setting.unit, "low": ends["min"], "high": ends["max"]}
    return ranges


def _gaps(started: pa.ChunkedArray) -> list[dict[str, Any]]:
    """Long pauses between consecutive runs, the longest first."""
    pauses = np.diff(started.cast(pa.int64()).to_numpy()) / MICROSECONDS_A_DAY
    longest = [int(k) for k in np.argsort(-pauses, kind="stable")[:GAPS_NAMED]]
    return [
        {
            "days": round(float(pauses[k]), 2),
            "from": iso(started[k].as_py()),
            "to": iso(started[k + 1].as_py()),
        }
        for k in longest
        if pauses[k] > GAP_DAYS
    ]


def iso(moment: Any) -> str:
    """A point in time as ISO 8601 with Z for UTC."""
    return str(moment.isoformat()).replace("+00:00", "Z")


def moment(since: str | date | datetime) -> datetime:
    """A point in time in UTC.

    Raises:
        InputError: when a text is no ISO 8601 date or time.
    """
    if isinstance(since, str):
        try:
            since = datetime.fromisoformat(since)
        except ValueError:
            raise InputError(
                f"'{since}' is not a date.", hint="Write year-month-day, such as 2025-03-04."
            ) from None
    if not isinstance(since, datetime):
        since = datetime(since.year, since.month, since.day)
    try:
        return since.astimezone(UTC) if since.tzinfo else since.replace(tzinfo=UTC)
    except OverflowError:
        raise InputError(
            f"'{since}' is not a date that can be compared.", hint="Write one of this century."
        ) from None
