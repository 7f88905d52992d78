"""What a batch of trials may consume: settings, minutes and tonnes.

In come a brief and the settings of a line; out come the region that may be tried, how many trials
fit, and which candidates leave enough of the lot for the rest of the batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.plant.brief import Brief
from optimizer.plant.region import Region
from optimizer.plant.settings import SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

POOL = 2048
"""Points spread over the region, where every search starts."""

# One trial may take so many times an equal share of the lot: else the first takes nearly all.
MOST_SHARES = 2.0
# Minutes and tonnes are compared after multiplication; this absorbs the last binary digits.
SLACK = 1e-9
FEED_RATE = "feed_rate"


@dataclass(frozen=True)
class Limits:
    """Limits of one batch.

    Args:
        space: settings of the line.
        brief: today's limits.
        tonnes_per_unit: what one unit of the feed rate is in t/h.
        seed: of the spread of starting points.
    """

    space: SettingSpace
    brief: Brief
    tonnes_per_unit: float
    seed: int

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

    @cached_property
    def cheapest(self) -> float:
        """Feed of the least consuming trial, t."""
        return float(self.tonnes(self.pool).min())

    def affordable(self) -> tuple[int, list[str]]:
        """How many of the asked trials fit the minutes and the lot, and why not more.

        Raises:
            LimitError: when not even one does.
        """
        trials, asked = self.brief.trials, self.brief.trials.count
        supplies = [(trials.minutes_available, trials.minutes, "minutes")]
        if self.has_feed:
            supplies.append((trials.material_available, self.cheapest, "t"))
        count, notes = asked, []
        for available, each, unit in supplies:
            if available is None or each <= 0:
                continue
            fit = int(available / each + SLACK)
            if fit < 1:
                raise LimitError(
                    f"not one trial fits: {available:g} {unit} are available and one trial takes "
                    f"at least {each:.4g}.",
                    code="no-trial-fits",
                    hint="Give more, shorten settle_minutes or sample_minutes, or feed less.",
                )
            if fit < count:
                count = fit
                notes.append(
                    f"{fit} of {asked} trials fit: {available:g} {unit} are available and one "
                    f"takes at least {each:.4g}."
                )
        return count, notes

    @cached_property
    def lot_binds(self) -> bool:
        """Whether the lot runs out before the trials asked for do, at common feed rates.

        A trial is then worth what it adds for each tonne. All trials take equally long: where the
        shift is what runs out, the most worth an hour is the most worth a trial.
        """
        available = self.brief.trials.material_available
        if available is None or not self.has_feed:
            return False
        return available < self.brief.trials.count * float(np.median(self.tonnes(self.pool)))

    def log_tonnes(self, index: Indices) -> Floats:
        """ln of what a trial consumes, shape (n,); where next to nothing is fed, as for a
        hundredth of a common trial: a gain for no feed is not worth without end."""
        common = float(np.median(self.tonnes(self.pool)))
        return np.log(np.maximum(self.tonnes(index), 0.01 * common))

    def within_lot(self, index: Indices, spent: float, left: int) -> NDArray[np.bool_]:
        """Which points leave material for the ``left - 1`` trials after, and a fair share."""
        available = self.brief.trials.material_available
        if available is None:
            return np.ones(len(index), dtype=bool)
        rest = available - spent
        fair = max(MOST_SHARES * rest / left, self.cheapest)
        return self.tonnes(index) <= min(rest - (left - 1) * self.cheapest, fair) + SLACK
