"""What days may do on a plant where the log cannot show it.

Where each set-point has a day of its own, repeated on that day alone, what the day adds and what
the settings do are the same thing in the log. Effects of days are not taken off the readings there:
a surface that does not fit would be taken for them. But readings of one day may share an error, and
the day of the moment may have an effect of its own. Both stand in what is not known, with the
standard deviation that the scatter of set-points about the surface leaves possible: its posterior
is close to its prior where the surface can pass through all set-points.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.time_effects.effects import TimeEffects, WeeklyChange, root_of
from optimizer.time_effects.occasions import DAY
from optimizer.time_effects.spread import Search, Spread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells

    Floats = NDArray[np.float64]


def with_unknown_days(
    effects: TimeEffects | None, information: Information, cells: Cells
) -> TimeEffects:
    """The effects of time, with effects of days that nothing is known of but their size.

    Args:
        effects: the effects that the readings show; None where they show none.
        information: what the readings say of the occasions.
        cells: when the runs were.
    """
    size = cells.count + 1
    found = effects or _none(cells)
    H = _variance(found.spread, information, cells)[:, None, None] * cells.correlation(DAY, 0.0)
    covariance = np.einsum("pir,qjr->piqj", found.root, found.root)
    for q in range(2):
        covariance[q, :, q] += H[q, :size, :size]
    return TimeEffects(
        found.spread, found.of_runs, found.doubt, root_of(covariance), found.which, found.weekly
    )


def _variance(spread: Spread, information: Information, cells: Cells) -> Floats:
    """Variance of the effects of days on sharpness and on balance, beside the effects of a spread,
    averaged over its posterior, shape (2,)."""
    search = Search(information, cells, (DAY, *spread.sd))
    mode, _ = search.mode(spread, 1.0)
    return np.asarray(sum(weight * each.sd[DAY] ** 2 for each, weight in search.draws(mode)))


def _none(cells: Cells) -> TimeEffects:
    """No effects of time."""
    runs = len(cells.which)
    return TimeEffects(
        Spread(),
        np.zeros((2, runs)),
        np.zeros((runs, 2, 2)),
        np.zeros((2, cells.count + 1, 0)),
        cells.which,
        WeeklyChange(np.zeros(2), np.zeros((2, 2))),
    )
