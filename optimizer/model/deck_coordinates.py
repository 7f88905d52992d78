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
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.plant.settings import SettingSpace

    Floats = NDArray[np.float64]

COUPLED = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
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
    """A function from unit inputs to coupled coordinates; inputs besides the settings do not
    change.

    Args:
        columns: column of each of the five settings among the inputs, in the order of ``COUPLED``.
        low, high: range of each setting, in its unit.
        scale: factor on each coordinate.
    """

    columns: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    scale: tuple[float, ...] = (1.0,) * len(COUPLED)

    def __call__(self, A: Floats) -> Floats:
        """Inputs A, shape (n, d), with the coordinates in place of the five settings; (n, d)."""
        out = np.array(A, dtype=float)
        columns = list(self.columns)
        moved = (self._logs(out[:, columns]) - self._logs(_MIDDLE)) @ _ROWS.T
        out[:, columns] = _MIDDLE + moved * np.array(self.scale)
        return out

    def _logs(self, unit: Floats | float) -> Floats:
        low, high = np.array(self.low), np.array(self.high)
        added = np.array([_ADDED.get(name, 0.0) for name in COUPLED]) * high - np.minimum(low, 0.0)
        return np.log(np.maximum(low + unit * (high - low) + added, _LEAST * high))


def deck_coordinates_of(space: SettingSpace) -> DeckCoordinates | None:
    """The coordinates of a deck, or None unless it has all five settings with ranges above zero."""
    if not set(COUPLED) <= set(space.names):
        return None
    columns = tuple(space.names.index(name) for name in COUPLED)
    settings = [space.settings[k] for k in columns]
    if any(s.high <= 0.0 for s in settings):
        return None
    return DeckCoordinates(columns, tuple(s.low for s in settings), tuple(s.high for s in settings))
