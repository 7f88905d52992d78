"""Writes the demo season: the logs of three decks of an invented green-coffee dry mill.

Run from the project root: ``python datasets/make_season.py [FOLDER]``. The decks are the
simulated ones of ``optimizer.simulation``; everything random comes from ``SEED``, so the same
versions write the same bytes. The habits are those of a mill that works: settings near what
always worked, speed and tilt moved together, one thing changed at a time on the rare day when
somebody explores. A few rows are spoiled on purpose; ``expected.json`` lists each of them.
"""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

# A script sees its own folder, not the project it stands in, unless the project is installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from optimizer.plant.settings import GRAVITY_TABLE, SettingSpace
from optimizer.simulation import coffee, demo_deck

SEED = 20_250_512
FIRST_DAY = datetime(2025, 5, 12)
DAYS = 150
SUNDAY = 6
SHIFT_START = timedelta(hours=6, minutes=30)

EXPLORING_DAY = 0.08  # share of days on which somebody tries something
SECOND_SET_POINT = 0.25  # share of ordinary days with a change of set-point
EMPTY_CELL = 0.06  # share of days without each reading of the material
NOTES = ("feed bin ran low", "screen brushed", "sample taken late", "feeder restarted", "new lot")
NOTE_SHARE = 0.02

# Label: share of lots, then typical moisture (%), bulk density (kg/m3) and share of sound beans.
COFFEES = {
    "washed": (0.50, 11.2, 694.0, 0.934),
    "pulped-natural": (0.25, 11.6, 682.0, 0.924),
    "natural": (0.25, 12.0, 668.0, 0.912),
}
MATERIAL = ("moisture", "bulk_density", "feed_grade")
LOT_SCATTER = np.array([0.30, 7.0, 0.010])
DAY_SCATTER = np.array([0.08, 2.0, 0.003])
DECIMALS = (1, 0, 3)

GATES = {"deck-3": 4}
SPACES = {line: GRAVITY_TABLE.with_gates("air", count) for line, count in GATES.items()}
"""The settings of decks whose air has gates; the others have those of ``GRAVITY_TABLE``."""
# Turns by which the first gate is above the mean of all, by habit; how that varies from one
# set-point to the next, and how each gate does.
USUAL_TAPER, TAPER_WANDER, GATE_WANDER = 2.0, 2.5, 1.0


@dataclass(frozen=True)
class Habit:
    """How one deck is run.

    Args:
        usual: the settings everybody knows, in the order of ``GRAVITY_TABLE``.
        wander: standard deviation of each from one set-point to the next.
        paired: speed follows tilt (40 rpm a degree), as operators are taught.
        highest_feed: t/h, what the deck is allowed.
        grade_count: beans in a purity sample.
    """

    usual: tuple[float, ...]
    wander: tuple[float, ...]
    paired: bool
    highest_feed: float
    grade_count: int


PAIRED_SPEED = 40.0  # rpm a degree of tilt
HABITS = {
    "deck-1": Habit((2.4, 3.1, 3.0, 470, 42), (0.15, 0.15, 0.25, 3, 1.2), True, 4.0, 400),
    "deck-2": Habit((2.0, 3.0, 2.8, 485, 33), (0.15, 0.15, 0.20, 3, 1.5), True, 3.0, 300),
    "deck-3": Habit((2.6, 2.7, 3.1, 460, 50), (0.20, 0.15, 0.15, 6, 1.5), False, 4.0, 500),
}
# Reach of an exploring day, one setting at a time and both ways.
REACH = np.array([0.6, 0.8, 0.8, 30.0, 6.0])

Row = dict[str, Any]


def space_of(line: str) -> SettingSpace:
    """The settings of a deck."""
    return SPACES.get(line, GRAVITY_TABLE)


def make_runs(line: str) -> list[Row]:
    """All runs of one deck over the season, in order of time."""
    number = sorted(HABITS).index(line)
    rng, of_gates = (np.random.default_rng([SEED, number, *more]) for more in ((), (1,)))
    rows: list[Row] = []
    lot_left, label, lot = 0, "", np.zeros(3)
    for day in range(DAYS):
        date = FIRST_DAY + timedelta(days=day)
        if date.weekday() == SUNDAY:
            continue
        if lot_left == 0:
            label, lot = _new_lot(rng)
            lot_left = int(rng.integers(3, 7))
        lot_left -= 1
        state = np.round(lot + DAY_SCATTER * rng.standard_normal(3), 4)
        rows += _day(line, date, label, state, rng, of_gates)
    for number, row in enumerate(rows, start=1):
        row["run_id"] = f"{line}-{number:04d}"
    return rows


def _new_lot(rng: np.random.Generator) -> tuple[str, np.ndarray]:
    labels = list(COFFEES)
    label = labels[rng.choice(len(labels), p=[COFFEES[c][0] for c in labels])]
    return label, np.array(COFFEES[label][1:]) + LOT_SCATTER * rng.standard_normal(3)


def _day(
    line: str,
    date: datetime,
    label: str,
    state: np.ndarray,
    rng: np.random.Generator,
    of_gates: np.random.Generator,
) -> list[Row]:
    """One deck, one day: readings at one or more set-points on one lot. The second generator draws
    how the gates differ, so that a deck with gates has the days of one without."""
    habit = HABITS[line]
    points = _at_gates(line, _set_points(habit, rng), of_gates)
    settings = np.repeat(points, rng.integers(2, 4), axis=0)
    reading = demo_deck(line).measure(settings, coffee(*state), rng, habit.grade_count)
    logged = {
        name: None if rng.random() < EMPTY_CELL else round(float(value), places)
        for name, value, places in zip(MATERIAL, state, DECIMALS, strict=True)
    }
    clock = date + SHIFT_START + timedelta(minutes=int(rng.integers(0, 60)))
    rows = []
    for i, values in enumerate(settings):
        clock += timedelta(minutes=int(rng.integers(20, 45)))
        even = reading.deck_state[i] == "even"
        rows.append(
            {
                "line": line,
                "started_at": clock,
                "material": label,
                **dict(zip(space_of(line).names, map(float, values), strict=True)),
                "grade": float(reading.grade[i]) if even else None,
                "recovery": round(float(reading.recovery[i]), 4) if even else None,
                "grade_count": reading.grade_count if even else None,
                "recovery_se": reading.recovery_se if even else None,
                "deck_state": str(reading.deck_state[i]),
                **logged,
                "note": str(rng.choice(NOTES)) if rng.random() < NOTE_SHARE else None,
            }
        )
    return rows


def _set_points(habit: Habit, rng: np.random.Generator) -> np.ndarray:
    """Set-points of a day on the steps of the deck, shape (k, 5)."""
    exploring = rng.random() < EXPLORING_DAY
    count = 4 if exploring else 1 + int(rng.random() < SECOND_SET_POINT)
    wander = np.array(habit.wander) * rng.standard_normal((1 if exploring else count, 5))
    if habit.paired:
        wander[:, 3] += PAIRED_SPEED * wander[:, 2]
    points = np.repeat(np.array(habit.usual) + wander, count // len(wander), axis=0)
    if exploring:
        j = rng.integers(5)
        points[:, j] += REACH[j] * np.array([-1.0, -0.5, 0.5, 1.0])
    points[:, 0] = np.minimum(points[:, 0], habit.highest_feed)
    return GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(points))


def _at_gates(line: str, points: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Set-points, shape (k, 5), with the air of each gate in place of one air, shape (k, d): a
    profile that varies from one set-point to the next. Decks without gates draw nothing."""
    if line not in GATES:
        return points
    count = GATES[line]
    taper = USUAL_TAPER + TAPER_WANDER * rng.standard_normal((len(points), 1))
    air = points[:, 4:] + taper * np.linspace(1.0, -1.0, count)
    air += GATE_WANDER * rng.standard_normal((len(points), count))
    space = space_of(line)
    return space.values(space.nearest_index(np.hstack([points[:, :4], air])))


# --- Files. Each deck's log has the dress of a different office.


def _plain(value: Any) -> str:
    """A cell of a comma-separated file; numbers without needless zeros."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _comma(scale: float = 1.0) -> Callable[[Any], str]:
    """A number with a decimal comma, scaled to another unit."""
    return lambda value: (
        "" if value is None else f"{round(value * scale, 4):.10g}".replace(".", ",")
    )


Columns = Mapping[str, tuple[str, Callable[[Any], str]]]
MEASURED = ("grade", "recovery", "grade_count", "deck_state", *MATERIAL, "note")
DECK_1: Columns = {
    name: (name, _plain)
    for name in ("run_id", "line", "started_at", "material", *GRAVITY_TABLE.names, *MEASURED)
}
DECK_2: Columns = {
    "line": ("line", _plain),
    "started_at": ("started_at", _plain),
    "material": ("material", _plain),
    "feed_rate": ("feed_rate [kg/h]", _comma(1000.0)),
    "end_raise": ("end_raise [deg]", _comma()),
    "side_tilt": ("side_tilt [deg]", _comma()),
    "eccentric_speed": ("eccentric_speed [rpm]", _comma()),
    "air": ("air [turn]", _comma()),
    "grade": ("grade [%]", _comma(100.0)),
    "recovery": ("recovery [%]", _comma(100.0)),
    "grade_count": ("grade_count", _plain),
    "deck_state": ("deck_state", _plain),
    "moisture": ("moisture [%]", _comma()),
    "bulk_density": ("bulk_density [kg/m3]", _comma()),
    "feed_grade": ("feed_grade", _comma()),
    "note": ("note", _plain),
}


@dataclass(frozen=True)
class Spoiled:
    """A planted fault: which run (counted from 0), which field, what stands there, and why."""

    run: int
    field: str
    text: str
    reason: str


SPOILED: Mapping[str, tuple[Spoiled, ...]] = {
    "deck-1.csv": (
        Spoiled(37, "feed_rate", "", "a setting is missing"),
        Spoiled(88, "eccentric_speed", "as before", "text in a number cell"),
        Spoiled(141, "recovery", "97.2", "a percentage in a fraction column"),
        Spoiled(203, "feed_rate", "-2.4", "a negative feed rate"),
        Spoiled(266, "side_tilt", "6.5", "outside the range of the deck"),
        Spoiled(334, "grade", "1.3", "a grade above 1"),
        Spoiled(402, "started_at", "31/31/2025", "an unreadable date"),
    ),
    "deck-2.csv": (
        Spoiled(95, "grade", "", "an even deck without a grade"),
        Spoiled(187, "air", "open", "text in a number cell"),
        Spoiled(271, "feed_rate", "21500", "outside the range of the deck"),
        Spoiled(350, "recovery", "104,5", "a recovery above 100 %"),
    ),
}
# An exact copy of this run stands right below it; a loader knows it already.
COPIED = {"deck-1.csv": 450, "deck-2.csv": 420}


def _write_csv(path: Path, rows: list[Row], columns: Columns, delimiter: str) -> dict[str, Any]:
    """One log with its planted faults; answers with what a loader should say about it."""
    table = [[dress(row[name]) for name, (_, dress) in columns.items()] for row in rows]
    for fault in SPOILED[path.name]:
        if rows[fault.run]["deck_state"] != "even":
            raise ValueError(f"{path.name}: run {fault.run} is a failed trial, spoil another.")
        table[fault.run][list(columns).index(fault.field)] = fault.text
    copied = COPIED[path.name]
    table.insert(copied + 1, table[copied])
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=delimiter, lineterminator="\n")
        writer.writerow([header for header, _ in columns.values()])
        writer.writerows(table)
    rejected = [
        # Line 1 is the header; every fault stands above the copy, so no line moves.
        {"row": f.run + 2, "field": f.field, "value": f.text, "reason": f.reason}
        for f in SPOILED[path.name]
    ]
    return {
        "read": len(table),
        "added": len(table) - len(rejected) - 1,
        "already_known": 1,
        "rejected": len(rejected),
        "rejects": rejected,
        "copied_row": copied + 3,
    }


def _write_parquet(path: Path, rows: list[Row]) -> dict[str, Any]:
    """One typed log without faults."""
    text, real = pa.string(), pa.float64()
    schema = pa.schema(
        [("run_id", text), ("line", text), ("started_at", pa.timestamp("ms")), ("material", text)]
        + [(name, real) for name in space_of("deck-3").names]
        + [("grade", real), ("recovery", real), ("recovery_se", real)]
        + [("grade_count", pa.int32()), ("deck_state", text)]
        + [(name, real) for name in MATERIAL]
        + [("note", text)]
    )
    pq.write_table(pa.Table.from_pylist(rows, schema=schema), path, compression="zstd")
    return {"read": len(rows), "added": len(rows), "already_known": 0, "rejected": 0, "rejects": []}


def write_season(folder: Path) -> None:
    """Writes the three logs and ``expected.json`` into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    runs = {line: make_runs(line) for line in HABITS}
    expected = {
        "deck-1.csv": _write_csv(folder / "deck-1.csv", runs["deck-1"], DECK_1, ","),
        "deck-2.csv": _write_csv(folder / "deck-2.csv", runs["deck-2"], DECK_2, ";"),
        "deck-3.parquet": _write_parquet(folder / "deck-3.parquet", runs["deck-3"]),
    }
    text = json.dumps(expected, indent=2, ensure_ascii=False)
    (folder / "expected.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_season(Path(sys.argv[1] if len(sys.argv) > 1 else "datasets/season"))
