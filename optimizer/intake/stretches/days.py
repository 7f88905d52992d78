"""What was made of readings over time, by line and day, as a document for a picture."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from optimizer.intake.stretches.division import NONE, Stretches
from optimizer.intake.stretches.steady import floats

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import NDArray

    from optimizer.history.stored_units import StoredUnits

    Rows = NDArray[np.int64]

MEASURED = ("grade", "recovery")


def days_of(table: pa.Table, made: Stretches, units: StoredUnits) -> Iterator[dict[str, Any]]:
    """The readings of each line and day, and the stretches that begin on it.

    Numbers are in the units of the site and hours are those of its clocks, counted from the
    beginning of the day; grade and recovery are fractions.

    Args:
        table: n readings, each with a time.
        made: their stretches.
        units: the plant, and the units of the readings.
    """
    shown = units.in_site_units(table)
    runs = units.in_site_units(pa.Table.from_batches([made.runs])).to_pylist()
    lines = np.array(table["line"].to_pylist())
    times = [units.site.time_zone.clock(each) for each in table["started_at"].to_pylist()]
    dates = np.array([each.date().isoformat() for each in times])
    for line in np.unique(lines):
        for date in np.unique(dates[lines == line]):
            rows = np.flatnonzero((lines == line) & (dates == date))
            rows = rows[np.argsort([times[k].timestamp() for k in rows], kind="stable")]
            day = times[rows[0]].replace(hour=0, minute=0, second=0, microsecond=0)
            space = units.site.space_of(str(line))
            yield {
                "line": str(line),
                "date": str(date),
                "hours": [_hours(times[k], day) for k in rows],
                "averaged": made.averaged[rows].tolist(),
                "settings": [
                    {"name": s.name, "unit": s.unit, "values": _numbers(shown, s.name, rows)}
                    for s in space.settings
                ],
                **{name: _numbers(shown, name, rows) for name in MEASURED},
                "stretches": [
                    _stretch(number, made, runs, times, day, space.names)
                    for number in dict.fromkeys(made.stretch[rows].tolist())
                    if number != NONE
                ],
            }


def _stretch(
    number: int,
    made: Stretches,
    runs: list[dict[str, Any]],
    times: list[datetime],
    day: datetime,
    names: tuple[str, ...],
) -> dict[str, Any]:
    members = np.flatnonzero(made.stretch == number)
    hours = [_hours(times[k], day) for k in members]
    used = [h for h, k in zip(hours, members, strict=True) if made.averaged[k]]
    owner = int(made.owner[members].max())
    run = None if owner == NONE else runs[owner]
    return {
        "first": min(hours),
        "last": max(hours),
        "averaged_first": min(used, default=None),
        "averaged_last": max(used, default=None),
        "readings": len(members),
        "averaged": len(used),
        "run": run is not None,
        "settled": None if run is None else run["settled"],
        "settings": None if run is None else {name: run[name] for name in names},
        **{name: None if run is None else run[name] for name in MEASURED},
    }


def _hours(time: datetime, day: datetime) -> float:
    return round((time - day) / timedelta(hours=1), 4)


def _numbers(table: pa.Table, name: str, rows: Rows) -> list[float | None]:
    return [None if np.isnan(v) else float(v) for v in floats(table, name)[rows]]
