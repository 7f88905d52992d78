"""The limits of a batch of trials: the region of settings, the minutes and the tonnes.

In come a brief and the settings of a line; out come the region that may be tried, how many trials
fit, and which candidates leave enough of the lot for the rest of the batch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.plant.brief import Brief
from optimizer.plant.mass import TONNE, MassUnit
from optimizer.plant.region import Region
from optimizer.plant.settings import FEED_RATE, SettingSpace
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

POOL = 2048
"""Number of points spread over the region from which every search starts."""

# One trial may consume at most this many equal shares of the lot, so that the first trial does not
# consume nearly all of the lot.
MOST_SHARES = 2.0
# Tolerance of comparisons of minutes and tonnes; it absorbs the rounding of a multiplication.
SLACK = 1e-9


@dataclass(frozen=True)
class Limits:
    """Limits of one batch of trials.

    Args:
        space: the settings of the line.
        brief: the brief, with today's limits.
        tonnes_per_unit: factor from the unit of the feed rate to t/h.
        seed: seed of the spread of starting points.
        mass: unit of the lot in the brief.
    """

    space: SettingSpace
    brief: Brief
    tonnes_per_unit: float
    seed: int
    mass: MassUnit = TONNE

    @cached_property
    def region(self) -> Region:
        """Lattice points inside today's limits."""
        return self.brief.region(self.space)

    @cached_property
    def pool(self) -> Indices:
        """Points spread over the region, shape (n, d)."""
        return self.region.sample(POOL, np.random.default_rng(self.seed))

    @property
    def has_feed(self) -> bool:
        """Whether feed rate is one of the settings."""
        return FEED_RATE in self.space.names

    def feed(self, index: Indices) -> Floats:
        """Feed rate at lattice points, in its declared unit, shape (n,)."""
        column = self.space.names.index(FEED_RATE)
        return self.space.settings[column].values(index[:, column])

    def tonnes(self, index: Indices) -> Floats:
        """Feed that a trial at each lattice point consumes, t, shape (n,)."""
        if not self.has_feed:
            return np.zeros(len(index))
        hours = self.brief.trials.minutes / 60.0
        return self.feed(index) * self.tonnes_per_unit * hours

    @property
    def lot(self) -> float | None:
        """Feed that the whole batch may consume, t; None for any amount."""
        return self.mass.in_tonnes(self.brief.trials.material_available)

    @cached_property
    def cheapest(self) -> float:
        """Feed that the trial with the least consumption consumes, t."""
        return float(self.tonnes(self.pool).min())

    def affordable(self) -> tuple[int, list[str]]:
        """Number of wanted trials that fit the minutes and the lot, and why no more of them fit.

        Raises:
            LimitError: when not even one trial fits.
        """
        trials, asked = self.brief.trials, self.brief.trials.count
        supplies = [(trials.minutes_available, trials.minutes, "minutes")]
        if self.has_feed:
            each = self.cheapest * self.mass.per_tonne
            supplies.append((trials.material_available, each, self.mass.name))
        count = asked
        reasons: list[str] = []
        for available, each, unit in supplies:
            if available is None or each <= 0:
                continue
            fit = int(available / each + SLACK)
            if fit < 1:
                raise _too_little(available, each, unit)
            if fit < count:
                count = fit
                reasons.append(
                    sentence(
                        "trials_fit",
                        fit=fit,
                        asked=asked,
                        available=available,
                        unit=unit,
                        each=each,
                    )
                )
        return count, reasons

    @cached_property
    def lot_binds(self) -> bool:
        """Whether the lot would run out before all trials are run, at a common feed rate.

        Trials are then ranked by their gain for each tonne. A short shift needs no such rule,
        because all trials take equally long.
        """
        available = self.lot
        if available is None or not self.has_feed:
            return False
        return available < self.brief.trials.count * float(np.median(self.tonnes(self.pool)))

    def log_tonnes(self, index: Indices) -> Floats:
        """ln of the tonnes that a trial consumes, but at least a hundredth of a common trial's;
        (n,).

        Without the lower bound a trial that feeds nothing would have an infinite gain for each
        tonne.
        """
        common = float(np.median(self.tonnes(self.pool)))
        return np.log(np.maximum(self.tonnes(index), 0.01 * common))

    def within_lot(self, index: Indices, spent: float, left: int) -> NDArray[np.bool_]:
        """Which lattice points leave enough material for the ``left - 1`` trials that follow.

        Args:
            index: lattice points as indices, shape (n, d).
            spent: tonnes that the trials placed before consume.
            left: number of trials still to place, this one included.
        """
        available = self.lot
        if available is None:
            return np.ones(len(index), dtype=bool)
        rest = available - spent
        fair = max(MOST_SHARES * rest / left, self.cheapest)
        return self.tonnes(index) <= min(rest - (left - 1) * self.cheapest, fair) + SLACK


def _too_little(available: float, each: float, unit: str) -> LimitError:
    """Why not one trial fits, and what to write in the brief so that one does."""
    key = "minutes_available" if unit == "minutes" else "material_available"
    enough = math.ceil(100.0 * each) / 100.0  # two decimals, rounded up, are enough for one trial
    feed = "" if unit == "minutes" else ", or lower min_feed_rate under [capacity]"
    return LimitError(
        f"not one trial fits: {available:g} {unit} are available and one trial takes at least "
        f"{each:.4g}.",
        code="no-trial-fits",
        hint=f"Under [trials] in the brief write {key} = {enough:g} or more, or shorten "
        f"settle_minutes or sample_minutes{feed}.",
        where=f"trials.{key}",
    )
