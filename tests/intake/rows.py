"""Rows of a log, each a good one with some cells changed, and their load."""

from __future__ import annotations

import csv
import io
from typing import Any

from optimizer.history.history import History
from optimizer.intake.settling.load import LoadOptions, load_bytes
from optimizer.plant.run_columns import JOINT_ERRORS
from optimizer.plant.site import Site

SETTINGS = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
GOOD = {
    "run_id": "",
    "line": "A",
    "started_at": "2025-03-01 10:00",
    "feed_rate": "2",
    "end_raise": "2.5",
    "side_tilt": "1.5",
    "eccentric_speed": "400",
    "air": "30",
    "grade": "0.97",
    "recovery": "0.9",
    "grade_se": "0.01",
    "grade_count": "200",
    "deck_state": "even",
    "moisture": "12",
    "note": "",
}
JOINT = JOINT_ERRORS
MOISTURE = {"moisture": {"unit": "%", "low": 5, "high": 20}}
SITE = Site.from_dict({"material": MOISTURE})


def row(**cells: str) -> dict[str, str]:
    return {**GOOD, **cells}


def text(rows: list[dict[str, str]], delimiter: str = ",") -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def load(history: History, rows: list[dict[str, str]], site: Site = SITE, **how: Any) -> Any:
    options = LoadOptions(**how)
    return load_bytes(text(rows).encode(), history, site, file="log.csv", options=options)
