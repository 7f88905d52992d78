"""Evenly spread points, compared with their published definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from optimizer.numerics.low_discrepancy import even_points


@pytest.mark.parametrize("d", [1, 2, 5])
def test_points_are_the_shifted_sequence_of_the_generalized_golden_ratio(d):
    """Point k, from 1, is frac(offset + k / g^j) with g the root of g^(d+1) = g + 1 (Roberts, "The
    unreasonable effectiveness of quasirandom sequences", 2018)."""
    g = brentq(lambda x: x ** (d + 1) - x - 1.0, 1.0, 2.0, xtol=1e-15)
    offset = np.random.default_rng(4).random(d)
    expected = [[(offset[j] + k * g ** -(j + 1.0)) % 1.0 for j in range(d)] for k in range(1, 101)]
    found = even_points(100, d, np.random.default_rng(4))
    np.testing.assert_allclose(found, expected, atol=1e-11)


class Edge:
    """A generator whose offset puts the first point on the edge of the cube, or just below it."""

    def __init__(self, first: float) -> None:
        g = (1.0 + np.sqrt(5.0)) / 2.0
        self.offset = first - 1.0 / g

    def random(self, d: int) -> np.ndarray:
        return np.full(d, self.offset)


@pytest.mark.parametrize("first", [1.0, np.nextafter(1.0, 0.0)])
def test_no_point_is_on_the_edge(first):
    """Chances of 0 and 1 have no finite quantiles."""
    found = even_points(1, 1, Edge(first))
    assert ((found > 0.0) & (found < 1.0)).all()
