"""Whether readings vary by day or by lot beyond the processes of the deck and other effects.

The likelihood-ratio test of two variances, of sharpness and of balance. Both lie at the edge of
what is possible where there is no effect, so that twice the log ratio is 0 in a quarter of cases,
and a chi-square with 1 degree of freedom in half and with 2 in a quarter of them (Self & Liang,
J. Am. Stat. Assoc. 82, 1987, 605; Stram & Lee, Biometrics 50, 1994, 1171).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import erfc

from optimizer.time_effects.occasions import SLOW
from optimizer.time_effects.spread import Search, Spread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class VarianceTest:
    """A test of the variances of one effect.

    Attributes:
        sd: standard deviations of sharpness and of balance of highest likelihood, in logits, (2,).
        p_value: probability of a ratio at least as large where there is no effect.
    """

    sd: Floats
    p_value: float


def variance_test(information: Information, cells: Cells, kind: str) -> VarianceTest:
    """Test the variances of one effect, beside all others that it can be told apart from.

    Args:
        information: what the readings say of the occasions.
        cells: the occasions.
        kind: the effect, which the occasions can show.
    """
    c, own = cells.count, cells.correlation(kind, 0.0)
    base = tuple(
        each
        for each in cells.kinds
        if each == SLOW or np.any((cells.correlation(each, 0.0) != own)[:c, :c])
    )
    null, without = Search(information, cells, base, np.inf).mode(Spread())
    found, value = Search(information, cells, (kind, *base), np.inf).mode(null)
    return VarianceTest(found.sd[kind], tail(2.0 * (value - without)))


def tail(ratio: float) -> float:
    """Probability that twice the log ratio of two variances at 0 is at least this.

    >>> round(tail(5.138), 4)
    0.0309
    """
    if ratio <= 0.0:
        return 1.0
    one, two = float(erfc(np.sqrt(0.5 * ratio))), float(np.exp(-0.5 * ratio))
    return 0.5 * one + 0.25 * two
