"""A process before any reading: its mean and covariance, from the kernel and the mean.

With features phi, deviation f and weight w,

    y(x) = w(x) (slopes' (x - 1/2) + phi(x)' beta + f(x)),  beta ~ N(0, I),  f ~ GP(0, s2 k_ell),

and the covariance between two groups of runs is their correlation times the covariance within one
(see ``kernel.Grouping``). Where an input has several values at once, trend and deviation are means
over nodes (see ``kernel.Parts``). All output is scaled. For a stack of k sets of hyperparameters
every result has a first axis of length k.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.matern import (
    derivative_along,
    matern,
    matern_of_pairs,
    matern_with_slope,
)
from optimizer.gaussian_process.mean import Mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    # A function from a matrix W to the derivatives of tr(W K) / 2 by the hyperparameters.
    Gradient = Callable[[Floats], Hyperparameters]


@dataclass(frozen=True)
class Terms:
    """Terms of a prior at n inputs that do not depend on the hyperparameters.

    Args:
        points: the inputs in the kernel's coordinates, m of them: one or two nodes for each input,
            all first nodes before all second ones.
        features: features of the trend, shape (n, p).
        expected: prior mean, shape (n,).
        weight: factor on the process, shape (n,), or None for 1.
        numbers: number of each input's group by grouping, shape (n, g).
    """

    points: Inputs
    features: Floats
    expected: Floats
    weight: Floats | None
    numbers: Floats

    @property
    def nodes(self) -> int:
        """Number of nodes of each input."""
        return len(self.points) // max(len(self.features), 1) or 1

    @cached_property
    def own_trend(self) -> Floats:
        """Covariance of the trend between the inputs, shape (n, n), which a search for
        hyperparameters needs at each step."""
        return _trend(self, self)


@dataclass(frozen=True)
class Prior:
    """The process before any reading.

    Args:
        kernel: covariance of its deviation, with coordinates, weight and groups.
        mean: its level and trend.
    """

    kernel: Kernel
    mean: Mean

    @cached_property
    def _hash(self) -> int:
        return hash((self.kernel, self.mean))

    def __hash__(self) -> int:
        return self._hash

    def terms(self, A: Inputs) -> Terms:
        """The terms at inputs A, shape (n, d), which are computed once and stored with A."""
        terms: Terms = A.remember(self, lambda: self._terms(A))
        return terms

    def _terms(self, A: Inputs) -> Terms:
        nodes, weight = self.kernel.nodes(self.kernel.in_coordinates(A)), self.kernel.weights(A)
        expected = _mean([self.mean.expected(node.values) for node in nodes])
        if weight is not None:
            expected = expected * weight
        numbers = self.kernel.numbers(A)
        features = _mean([self.mean.features(node.values) for node in nodes])
        points = nodes[0] if len(nodes) == 1 else Inputs(np.vstack([x.values for x in nodes]))
        return Terms(points, features, expected, weight, numbers)

    def expected(self, A: Inputs) -> Floats:
        """Prior mean at A, shape (n, d); shape (n,)."""
        return self.terms(A).expected

    def covariance(self, h: Hyperparameters, A: Inputs, B: Inputs) -> Floats:
        """Prior covariance between A, shape (n, d), and B, shape (m, d); shape (n, m)."""
        a, b = self.terms(A), self.terms(B)
        within = matern(h, a.points, b.points, self.kernel.additive, self.kernel.shared)
        within = _folded(within, a.nodes, b.nodes)
        within += _trend(a, b)
        factor = self._factor(h, a, b)
        if factor is not None:
            within *= factor
        return within

    def variance(self, h: Hyperparameters, A: Inputs) -> Floats:
        """Prior variance at A, shape (n, d); shape (n,)."""
        terms = self.terms(A)
        trend = np.sum(terms.features**2, axis=1)
        variance: Floats = np.exp(h.log_variance[..., None]) + trend
        if terms.nodes > 1:
            one, other = (Inputs(part) for part in np.split(terms.points.values, 2))
            kernel = self.kernel
            between = matern_of_pairs(h, one, other, kernel.additive, kernel.shared)
            variance = 0.5 * (variance + trend + between)
        return variance if terms.weight is None else variance * terms.weight**2

    def covariance_and_gradient(self, h: Hyperparameters, A: Inputs) -> tuple[Floats, Gradient]:
        """Covariance K at A, (n, n), of one set of hyperparameters, and its derivatives.

        The second result is a function from a symmetric W, (n, n), to the derivatives of tr(W K) /
        2 by each hyperparameter; the derivative by the noise is 0. The function does not change K
        or W.
        """
        kernel, terms = self.kernel, self.terms(A)
        points, nodes = terms.points, terms.nodes
        smooth, slope = matern_with_slope(h, points, points, kernel.additive, kernel.shared)
        smooth = _folded(smooth, nodes, nodes)
        trend, factor = terms.own_trend, self._factor(h, terms, terms)
        d = h.log_length_scales.shape[-1]

        def gradient(W: Floats) -> Hyperparameters:
            by_logit = None
            if kernel.groupings:
                traced = W * (smooth + trend) * factor
                each = kernel.of_each(h.logits, terms.numbers)
                by_logit = np.concatenate([g.gradient(own, a, traced) for g, own, a in each])
            if factor is not None:
                W = W * factor
            by_variance = 0.5 * float(np.sum(W * smooth))
            # A covariance of means weighs the covariances of their nodes alike.
            W = np.tile(W, (nodes, nodes)) / nodes**2 if nodes > 1 else W
            X, steep = points.values, slope * W
            # sum_ij S_ij (x_i - x_j)^2 = 2 (x^2 . S 1 - x' S x), one matrix product for all inputs.
            squares = (X**2).T @ steep.sum(axis=1) - np.sum(X * (steep @ X), axis=0)
            shared = kernel.shared
            if shared is None:
                by_length = squares * np.exp(-2.0 * h.log_length_scales)
            else:
                own = np.exp(-2.0 * shared.spread(h.log_length_scales))
                by_length = shared.total(squares * own)
            for j in range(d if kernel.additive else 0):
                along = derivative_along(h, points, points, j, shared)
                by_length[j] += 0.5 * kernel.additive / d * float(np.sum(W * along))
            return Hyperparameters(by_length, by_variance, 0.0, by_logit)

        covariance = smooth + trend
        if factor is not None:
            covariance *= factor
        return covariance, gradient

    def _factor(self, h: Hyperparameters, a: Terms, b: Terms) -> Any:
        """Factor on the covariance of two points: their weights, and the correlation between their
        groups; None for 1."""
        factor: Any = None
        if a.weight is not None and b.weight is not None:
            factor = np.outer(a.weight, b.weight)
        for k, (grouping, logits, number) in enumerate(self.kernel.of_each(h.logits, a.numbers)):
            between = grouping.correlation(logits, number, b.numbers[:, k])
            factor = between if factor is None else factor * between
        return factor


def _mean(of_nodes: list[Floats]) -> Floats:
    return of_nodes[0] if len(of_nodes) == 1 else np.mean(of_nodes, axis=0)


def _folded(between: Floats, rows: int, columns: int) -> Floats:
    """Covariance of means over nodes, shape (..., n, m), from that between the nodes."""
    if rows > 1:
        between = _mean(np.split(between, rows, axis=-2))
    return _mean(np.split(between, columns, axis=-1)) if columns > 1 else between


def _trend(a: Terms, b: Terms) -> Floats:
    return np.asarray(a.features @ b.features.T)
