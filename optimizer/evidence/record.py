"""The evidence of one line as one frozen record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.measurement.measured import RunReadings
from optimizer.plant.settings import SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """The runs of one line, ready to learn from.

    Attributes:
        space: settings of the line.
        line: its name, or None when the history is empty and none was named.
        settings: values of every run, failed ones included, shape (n, d).
        context: material inputs of every run in unit coordinates, shape (n, m).
        today: material inputs today, shape (m,).
        readings: grade and recovery of every run with their errors, NaN where a failed trial has
            none.
        feed_odds: log odds of the feed grade of every run, shape (n,).
        feed_odds_today: the same today.
        feed_grade_known: whether the feed grade was measured or stated rather than guessed.
        even: whether the deck ran even, shape (n,).
        started: when each run started, in UTC, NaT where undated, shape (n,).
        material: today's material as the plan reports it.
        warnings: what the runs cannot tell.
        number: of the line among those that teach each other: 0 the own, 1 and up the others,
            shape (n,).
        by_line: whether lines teach each other; the number of a line is then an input.
        borrowed: measured runs of other lines, where this one has few, or None.
    """

    space: SettingSpace
    line: str | None
    settings: Floats
    context: Floats
    today: Floats
    readings: RunReadings
    feed_odds: Floats
    feed_odds_today: float
    feed_grade_known: bool
    even: NDArray[np.bool_]
    started: NDArray[np.datetime64]
    material: Mapping[str, Any]
    warnings: tuple[str, ...]
    number: Floats
    by_line: bool
    borrowed: Evidence | None = None

    @property
    def grade(self) -> Floats:
        """Grade that each run read, a fraction, NaN where it has none, shape (n,)."""
        return self.readings.grade

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Runs with both readings."""
        return self.readings.measured

    @property
    def inputs(self) -> Floats:
        """Settings and material in unit coordinates, and the line's number where lines teach each
        other, shape (n, d + m) or (n, d + m + 1)."""
        inputs = [np.round(self.space.to_unit(self.settings), 9), self.context]
        return np.hstack([*inputs, self.number[:, None]] if self.by_line else inputs)

    def inputs_today(self, index: NDArray[np.int64]) -> Floats:
        """Lattice points, shape (k, d), with today's material, as ``inputs`` has them."""
        unit = np.round(self.space.to_unit(self.space.values(index)), 9)
        inputs = [unit, np.tile(self.today, (len(unit), 1))]
        return np.hstack([*inputs, np.zeros((len(unit), 1))] if self.by_line else inputs)

    def alone(self) -> Evidence:
        """Without what was borrowed from other lines."""
        return replace(self, by_line=False, borrowed=None)

    def take(self, rows: NDArray[np.bool_]) -> Evidence:
        """Some of the runs."""
        each = {
            f.name: getattr(self, f.name)[rows]
            for f in fields(self)
            if isinstance(getattr(self, f.name), np.ndarray) and f.name != "today"
        }
        return replace(self, readings=self.readings.take(rows), **each)
