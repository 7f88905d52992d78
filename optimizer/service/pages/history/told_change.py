"""The values of a change of a run, as pages show them beside each other."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any

from optimizer.history.changes import CORRECTED, Change
from optimizer.plant.site import Site
from optimizer.service.pages.history.columns import RunField, run_field

NOT_TOLD = ("run_id", "line", "source", "source_row", "settled", "samples")
"""Columns that are not told of a run that was withdrawn or reinstated as a whole."""


def compared(change: Change, site: Site) -> list[tuple[RunField, str, str]]:
    """Each column that a change tells of, with its former and its new value.

    A withdrawal has no new values, and a reinstatement no former ones.
    """
    before, after = with_times(change.before), with_times(change.after)
    names = after if change.what == CORRECTED else {**before, **after}
    found = []
    for name in names:
        if change.what != CORRECTED and name in NOT_TOLD:
            continue
        field = run_field(name, site, change.line)
        former, new = (field.text(side.get(name), site.time_zone) for side in (before, after))
        found.append((field, former, new))
    return found


def with_times(cells: Mapping[str, Any]) -> dict[str, Any]:
    """Cells with the times that changes tell as texts."""
    started = cells.get("started_at")
    if isinstance(started, str):
        with suppress(ValueError):
            return {**cells, "started_at": datetime.fromisoformat(started)}
    return dict(cells)
