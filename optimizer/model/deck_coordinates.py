"""Coordinates in which the coupled effects of a deck's settings are axes.

The five settings do not act one by one. Feed rate and travel speed determine the depth of the bed,
and travel speed determines the exposure; the air has to lift that bed; gravity along the tilt acts
against the lift of the stroke. On the logarithms of the settings these are differences, by mass
balance and the mechanics of vibratory conveying (common practice):

    bed           ln feed rate - ln travel         travel carries the feed off the deck
    exposure      -ln travel                       travel ~ speed x (end raise + what moves it flat)
    tilt          ln side tilt - 2 ln speed        gravity's pull against inertia
    stroke        2 ln speed                       acceleration of the deck
    air           ln air - 0.3 bed                 a deeper bed needs more air

The map from five settings to five coordinates is one to one, so no information is lost: a deck that
behaves differently can still be described, only less simply.

A deck may lack some of the five: a welded end raise, a speed without a drive. What cannot be set is
a constant, whose logarithm drops out of the differences. Each setting that is left keeps its
coordinate, and the map stays one to one. A coordinate whose own setting is absent may still move: a
deck with a welded end raise gets its exposure from the speed. It then moves in proportion to one of
the coordinates that are kept (see ``DeckCoordinates.followed``).

Where a setting is set at several gates, its coordinate is that of their level. Taper, bow and rest
(see ``plant.profiles``) become relative differences from it: each is multiplied by the slope of the
logarithm at the level, so that it is, to first order, the same contrast of the logarithms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.plant.profiles import profiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.plant.settings import SettingSpace

    Floats = NDArray[np.float64]

COUPLED = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
# With fewer of them than this, nothing is left that could act together.
FEWEST = 2
# Rows are the coordinates above, columns are the logarithms of the settings. Each coordinate has
# the position of the setting that changes it most.
_AIR_WITH_BED = 0.3
_ROWS = np.array(
    [
        [1.0, -1.0, 0.0, -1.0, 0.0],
        [0.0, -1.0, 0.0, -1.0, 0.0],
        [0.0, 0.0, 1.0, -2.0, 0.0],
        [0.0, 0.0, 0.0, 2.0, 0.0],
        [-_AIR_WITH_BED, _AIR_WITH_BED, 0.0, _AIR_WITH_BED, 1.0],
    ]
)
# A level deck still conveys, and a closed gate leaks. So these shares of the highest value are
# added to a setting before its logarithm is taken.
_ADDED = {"end_raise": 0.1, "air": 0.05}
_LEAST = 0.02
# The middle of the unit inputs maps to the middle of the coordinates, so that a trend has the same
# center in both.
_MIDDLE = 0.5


@dataclass(frozen=True)
class DeckCoordinates:
    """A function from unit inputs to coupled coordinates; inputs besides the named settings do not
    change.

    Args:
        names: the settings that have a coordinate, in the order of ``COUPLED``.
        columns: column of each of them among the inputs.
        low, high: range of each, in its unit.
        scale: factor on each coordinate; no factors when None.
        contrasts: for each input that is a contrast between gates of a named setting, its column
            and the position of that setting in ``names``.
    """

    names: tuple[str, ...]
    columns: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    scale: tuple[float, ...] | None = None
    contrasts: tuple[tuple[int, int], ...] = ()

    def __call__(self, A: Floats) -> Floats:
        """Inputs A, shape (n, d), with coordinates in place of the k named settings; (n, d)."""
        out = np.array(A, dtype=float)
        columns = list(self.columns)
        moved = (self._logs(out[:, columns]) - self._logs(_MIDDLE)) @ self.rows.T
        if self.contrasts:
            span = np.array(self.high) - np.array(self.low)
            slopes = span / self._positive(out[:, columns])
            factors = np.ones(len(span)) if self.scale is None else np.array(self.scale)
            for column, k in self.contrasts:
                relative = (out[:, column] - _MIDDLE) * slopes[:, k]
                out[:, column] = _MIDDLE + factors[k] * relative
        out[:, columns] = _MIDDLE + (moved if self.scale is None else moved * np.array(self.scale))
        return out

    def _logs(self, unit: Floats | float) -> Floats:
        return np.log(self._positive(unit))

    def _positive(self, unit: Floats | float) -> Floats:
        """The quantities whose logarithms are taken, above zero."""
        low, high = np.array(self.low), np.array(self.high)
        added = np.array([_ADDED.get(name, 0.0) for name in self.names]) * high
        added -= np.minimum(low, 0.0)
        return np.maximum(low + unit * (high - low) + added, _LEAST * high)

    @cached_property
    def rows(self) -> Floats:
        """Change of each coordinate by the logarithm of each named setting, shape (k, k)."""
        kept = self._positions
        return _ROWS[np.ix_(kept, kept)]

    @cached_property
    def followed(self) -> Floats:
        """Change of each of the five coordinates with each of the k kept ones, while the absent
        settings stay; shape (5, k), with at most one entry other than 0 in each row."""
        return np.asarray(_ROWS[:, self._positions] @ np.linalg.inv(self.rows))

    @property
    def moving(self) -> tuple[str, ...]:
        """Names of those of bed and exposure that the named settings can change."""
        first = zip(("bed", "exposure"), self.followed, strict=False)
        return tuple(name for name, row in first if row.any())

    @property
    def coupled(self) -> bool:
        """Whether a coordinate depends on more than one of the named settings."""
        return int(np.count_nonzero(self.rows)) > len(self.names)

    @property
    def _positions(self) -> list[int]:
        return [COUPLED.index(name) for name in self.names]


def deck_coordinates_of(space: SettingSpace) -> DeckCoordinates | None:
    """The coordinates of a deck, of those of the five settings that it has; None with fewer than
    two. A setting whose range does not reach above zero has no logarithm and keeps its own
    input."""
    profiles = profiles_of(space)
    low, high = profiles.low, profiles.low + profiles.span
    where = {name: j for j, name in enumerate(profiles.names)}
    found = [name for name in COUPLED if name in where and high[where[name]] > 0.0]
    if len(found) < FEWEST:
        return None
    columns = tuple(where[name] for name in found)
    return DeckCoordinates(
        tuple(found),
        columns,
        tuple(float(low[j]) for j in columns),
        tuple(float(high[j]) for j in columns),
        contrasts=tuple(
            (column, columns.index(level))
            for column, level in enumerate(profiles.levels)
            if column != level and level in columns
        ),
    )
