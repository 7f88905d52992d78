"""One history twice: as it was read, and with one reading in twenty wrong."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from tests.benchmarks import calibration
from tests.benchmarks.calibration import Key, history
from tests.benchmarks.certainty import plans
from tests.benchmarks.certainty.plans import said_and_true, situation
from tests.benchmarks.trials.campaigns import stamp
from tests.benchmarks.trials.task import Task

CASES = (("spread", 20), ("spread", 40), ("spread", 80), ("habit", 60))
ONE_IN = 20
KINDS = ("complement", "digits", "factor ten", "swapped")


def complement(share: float) -> float:
    """The other share: 1.2 % for 98.8 %."""
    return 1.0 - share


def digits_swapped(share: float) -> float:
    """The share in per cent with one decimal, with the first two digits that differ swapped.

    Where all digits are equal, nothing can be swapped, and the first is taken away.
    """
    digits = list(f"{min(round(1000 * share), 999):03d}")
    for k in range(2):
        if digits[k] != digits[k + 1]:
            digits[k], digits[k + 1] = digits[k + 1], digits[k]
            return int("".join(digits)) / 1000
    return int("".join(digits[1:])) / 1000


def ten_times_too_low(share: float) -> float:
    """A decimal point in the wrong place: 9.88 % for 98.8 %."""
    return 0.1 * share


CHANGES = {"complement": complement, "digits": digits_swapped, "factor ten": ten_times_too_low}


def spoil(task: Task, rng: np.random.Generator) -> list[tuple[int, str]]:
    """Make one reading in twenty of a history wrong; return the runs with their kinds of error.

    Of runs with readings as many as a twentieth, at least one, are drawn, each with a kind of
    error; a kind that changes one reading changes grade or recovery by chance.
    """
    even = np.flatnonzero(task.even)
    count = min(len(even), max(1, round(len(even) / ONE_IN)))
    rows = rng.choice(even, count, replace=False) if count else even
    task.grade, task.recovery = task.grade.copy(), task.recovery.copy()
    found = []
    for row in map(int, rows):
        kind = str(rng.choice(KINDS))
        if kind == "swapped":
            task.grade[row], task.recovery[row] = task.recovery[row], task.grade[row]
        else:
            reading = task.grade if rng.random() < 0.5 else task.recovery
            reading[row] = CHANGES[kind](float(reading[row]))
        found.append((row, kind))
    return found


def judged(key: Key) -> dict[str, Any]:
    """What the plans of both histories say at their settings to run now, and the truth there."""
    with threadpool_limits(1):
        clean = history(key)
        pair = {"clean": said_and_true(clean, situation(clean))[0]}
        spoiled = history(key)
        errors = spoil(spoiled, np.random.default_rng((key.seed, 23)))
        pair["wrong"] = said_and_true(spoiled, situation(spoiled))[0]
    return {**asdict(key), **pair, "errors": errors}


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept row: the history and a stamp of the code."""
    made_by = stamp("ours", __file__, plans.__file__, calibration.__file__)
    return ("wrong", *asdict(key).values(), made_by)
