"""What a user chooses for a comparison beyond the brief: lines, feed rate, prices, presentation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.comparison.density_fractions import Fractions
from optimizer.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

RANKED_BY = ("attainable", "current", "gap")


@dataclass(frozen=True)
class Prices:
    """What turns recovery into money.

    Args:
        product: value of a tonne of product.
        hours: running hours of a season.
        reject: value of a tonne of reject; what is recovered is no longer in it.
    """

    product: float
    hours: float
    reject: float = 0.0

    def season(
        self, gain: Floats, tonnes_per_hour: float, feed_grade: float, grade: float
    ) -> Floats:
        """Value of a recovery gain over a season.

        A gain dr of wanted material in a feed of grade f makes f dr / grade more product of the
        required grade, and as much less reject.
        """
        product = tonnes_per_hour * feed_grade * gain / grade
        return np.asarray(product * (self.product - self.reject) * self.hours)


@dataclass(frozen=True)
class ComparisonRequest:
    """Which lines are compared, at which feed rate, and how the answer is shown.

    Args:
        lines: names; all lines when None.
        feed_rate: in the site's unit; the middle of the lines' own when None.
        prices: turn the gap into value per season.
        fractions: of density, for a partition curve a line; they may be of other lines too.
        ranked_by: ``attainable``, ``current`` or ``gap``.
        anonymous: whether lines are called by letters, in the order of their rank.

    Raises:
        InputError: when ``ranked_by`` is something else.
    """

    lines: Sequence[str] | None = None
    feed_rate: float | None = None
    prices: Prices | None = None
    fractions: Fractions | None = None
    ranked_by: str = "attainable"
    anonymous: bool = False

    def __post_init__(self) -> None:
        if self.ranked_by not in RANKED_BY:
            raise InputError(
                f"ranked_by '{self.ranked_by}': expected one of {', '.join(RANKED_BY)}."
            )
