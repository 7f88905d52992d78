"""The settings of a deck in coordinates in which the trade's couplings are axes.

A deck does not feel its five settings one by one. Feed rate and travel make a bed, travel an
exposure; the air has to lift that bed; the tilt's pull works against the lift of the stroke. On
the logarithms of the settings these are differences, by mass balance and the mechanics of
vibratory conveying (common practice):

    bed           ln feed rate - ln travel         what comes is carried off at travel's speed
    exposure      -ln travel                       travel ~ speed x (end raise + what moves it flat)
    tilt          ln side tilt - 2 ln speed        gravity's pull against inertia
    stroke        2 ln speed                       acceleration of the deck
    air           ln air - 0.3 bed                 a deeper bed wants more

Five numbers for five settings, one to one: nothing is lost, and a deck that does otherwise is only
described less simply.
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
# Rows are the coordinates above, columns the logarithms of the settings; each coordinate stands
# where the setting does that moves it most.
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
# A level deck still conveys, a closed gate leaks, and no setting is ever quite nothing: shares of
# the highest value that are added before the logarithm is taken.
_ADDED = {"end_raise": 0.1, "air": 0.05}
_LEAST = 0.02
# Where unit inputs have their middle, so that trends treat both alike.
_MIDDLE = 0.5


@dataclass(frozen=True)
class DeckCoordinates:
    """From unit inputs to coupled coordinates; what is not a setting stays as it is.

    Args:
        columns: of the five settings among the inputs, in the order of ``COUPLED``.
        low, high: their ranges, in any unit.
        scale: factor on each coordinate.
    """

    columns: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    scale: tuple[float, ...] = (1.0,) * len(COUPLED)

    def __call__(self, A: Floats) -> Floats:
        """Inputs with the five settings replaced, shape (n, d) as it came."""
        out = np.array(A, dtype=float)
        at = list(self.columns)
        moved = (self._logs(out[:, at]) - self._logs(_MIDDLE)) @ _ROWS.T
        out[:, at] = _MIDDLE + moved * np.array(self.scale)
        return out

    def _logs(self, unit: Floats | float) -> Floats:
        low, high = np.array(self.low), np.array(self.high)
        added = np.array([_ADDED.get(name, 0.0) for name in COUPLED]) * high - np.minimum(low, 0.0)
        return np.log(np.maximum(low + unit * (high - low) + added, _LEAST * high))


def deck_coordinates_of(space: SettingSpace) -> DeckCoordinates | None:
    """The couplings of a deck that has all five settings, each with a range above zero."""
    if not set(COUPLED) <= set(space.names):
        return None
    columns = tuple(space.names.index(name) for name in COUPLED)
    settings = [space.settings[k] for k in columns]
    if any(s.high <= 0.0 for s in settings):
        return None
    return DeckCoordinates(columns, tuple(s.low for s in settings), tuple(s.high for s in settings))
