"""The material of a shift that varies: a few materials that stand for all, each with its share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimizer.model.coordinates import log_odds
from optimizer.plant.brief import Range
from optimizer.plant.site import FEED_GRADE, Site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Nodes and weights on -1 to 1 of the Gauss-Lobatto rule with 5 nodes, which has both ends
# (Abramowitz & Stegun, Handbook of Mathematical Functions, 1964, table 25.6).
ONE_RANGE = (
    np.array([-1.0, -np.sqrt(3.0 / 7.0), 0.0, np.sqrt(3.0 / 7.0), 1.0]),
    np.array([1 / 20, 49 / 180, 16 / 45, 49 / 180, 1 / 20]),
)
# Share of the middle where several properties vary; the corners have the rest. The rule is exact
# for polynomials of degree 3.
MIDDLE_SHARE = 2.0 / 3.0


@dataclass(frozen=True)
class Shift:
    """Materials that stand for those of a shift, with every end of its ranges among them.

    Attributes:
        over: the ranges by name, in the site's units.
        values: the value of each varying property, by name, of each of k materials.
        today: material inputs of each, in unit coordinates, shape (k, m).
        feed_odds: log odds of the feed grade of each, shape (k,).
        share: share of each in the feed of the shift, shape (k,); they sum to 1.
    """

    over: Mapping[str, Range]
    values: tuple[Mapping[str, float], ...]
    today: Floats
    feed_odds: Floats
    share: Floats


def shift_of(
    over: Mapping[str, Range],
    site: Site,
    today: Floats,
    names: Sequence[str],
    feed_odds: float,
    feed_grade_known: bool,
) -> Shift | None:
    """The materials of a shift; None where nothing varies.

    Args:
        over: the ranges by name, in the site's units.
        site: the plant.
        today: material inputs with the middle of each range, in unit coordinates, shape (m,).
        names: names of the leading material inputs; a property without an input changes nothing
            that the model knows of.
        feed_odds: log odds of the middle feed grade.
        feed_grade_known: whether the model uses the feed grade.
    """
    if not over:
        return None
    places, share = _nodes(len(over))
    values = [
        {
            name: float(r.ends[0] + 0.5 * (1.0 + at) * (r.ends[1] - r.ends[0]))
            for (name, r), at in zip(over.items(), place, strict=True)
        }
        for place in places
    ]
    inputs, odds = np.tile(today, (len(values), 1)), np.full(len(values), feed_odds)
    for k, each in enumerate(values):
        for name, value in each.items():
            if name in names:
                variable = site.material[name]
                unit = (value - variable.low) / (variable.high - variable.low)
                inputs[k, names.index(name)] = unit
            if name == FEED_GRADE and feed_grade_known:
                odds[k] = log_odds(np.array(value * site.feed_grade_scale))
    return Shift(over, tuple(values), inputs, odds, share)


def _nodes(ranges: int) -> tuple[Floats, Floats]:
    """Places in a cube from -1 to 1, shape (k, ranges), and their weights, shape (k,)."""
    if ranges == 1:
        return ONE_RANGE[0][:, None], ONE_RANGE[1]
    corners = np.array(list(product((-1.0, 1.0), repeat=ranges)))
    places = np.vstack([np.zeros(ranges), corners])
    rest = (1.0 - MIDDLE_SHARE) / len(corners)
    return places, np.array([MIDDLE_SHARE, *[rest] * len(corners)])
