"""Rows of a run log for the tests of the history."""

from __future__ import annotations

from typing import Any

RUN = {
    "line": "A",
    "started_at": "2025-03-01 10:00",
    "feed_rate": 2.0,
    "end_raise": 2.5,
    "side_tilt": 1.5,
    "eccentric_speed": 400.0,
    "air": 30.0,
    "grade": 0.97,
    "recovery": 0.9,
}


def run(**values: Any) -> dict[str, Any]:
    """One row of a run log, with the given values changed."""
    return {**RUN, **values}
