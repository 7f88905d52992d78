"""Draws of pairs at many settings at once, and what is left unknown given each draw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.joint import Pair
from optimizer.numerics.cholesky import factorize, solve_lower, transposed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class PairDraws:
    """Joint draws of a pair at base points, and the conditional distribution given each draw.

    The base grows by each picked trial of a batch. The outcome of a picked trial is drawn from the
    posterior rather than assumed, so that the next pick accounts for its uncertainty.

    Args:
        pair: posterior from which to draw.
        base: the m base points.
        normals: standard normals, shape (draws, at least m, 2).
    """

    def __init__(self, pair: Pair, base: Inputs, normals: Floats) -> None:
        self.pair, self.base, self._normals = pair, base, normals
        self._moments = pair.moments(base)
        # The order is point by point, S before G, so that one more point does not change the other
        # draws.
        self._order = np.arange(2 * len(base)).reshape(2, -1).T.ravel()
        covariance = pair.covariance(self._moments, self._moments)
        self._lower = factorize(covariance[..., self._order[:, None], self._order])
        # Conditioning on the draws needs only their whitened deviations from the mean.
        self._white = normals[..., : len(base), :].reshape(*normals.shape[:-2], -1)

    @property
    def values(self) -> tuple[Floats, Floats]:
        """Sharpness and balance drawn at the base points, each (draws, m)."""
        off = self._white @ transposed(self._lower[..., np.argsort(self._order), :])
        return self.pair.with_deviations(self._moments, off)

    def conditional(self, A: Inputs) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Sharpness and balance at A, shape (n, d), given each draw.

        Returns:
            Means of sharpness and of balance, (draws, n) each; variance of the sharpness, variance
            of the balance given the sharpness, and slope of the balance on it, (n,) each.
        """
        moments = self.pair.moments(A)
        cross = self.pair.covariance(self._moments, moments)[..., self._order, :]
        W = solve_lower(self._lower, cross)
        s, cut, own = self.pair.variance(moments, W)
        return *self.pair.with_deviations(moments, self._white @ W), s, own, cut

    def extend(self, point: Floats) -> PairDraws:
        """The draws extended by one more base point, shape (1, d)."""
        return PairDraws(self.pair, Inputs(np.vstack([self.base.values, point])), self._normals)


def draw_pairs(pairs: Sequence[Pair], base: Inputs, normals: Floats) -> list[PairDraws]:
    """Joint draws of all members at base points.

    Args:
        pairs: all members, as single pairs or as stacks.
        base: the m base points.
        normals: standard normals of each member, shape (members, draws, at least m, 2).
    """
    ends = np.cumsum([pair.members for pair in pairs])[:-1]
    each = zip(pairs, np.split(normals, ends), strict=True)
    return [PairDraws(pair, base, z if pair.stacked else z[0]) for pair, z in each]
