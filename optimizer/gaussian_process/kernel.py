"""The kernel of a process: the covariance of its smooth deviation, and the use of its inputs.

The deviation has a Matern-5/2 covariance; a part of it is a sum of functions of one input each.
Three optional fields act on the whole process, trend included: coordinates, a weight, and the
correlation between groups of runs, which are lines or labels of the material.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.matern import SharedLengths

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LENGTH_SCALE, VARIANCE = NormalPrior(0.0, 1.0), NormalPrior(0.0, 1.5)
"""Default priors on ln ell and ln s2 for an output on a standardized scale."""


@dataclass(frozen=True)
class Grouping:
    """Groups of runs that are alike in part, such as lines, or labels of the material.

    One input is the number of a run's group, 0 for the group that is asked about. The covariance
    between the groups p and q is rho_pq times the covariance within one group, so groups that
    behave differently do not inform each other (a coregionalization with positive correlations;
    Bonilla, Chai & Williams, NeurIPS 2007). With r_p, the agreement of a group with what is common
    to all,

        rho_pq = sqrt(r_p r_q)  for p != q,

    which is a covariance for any r between 0 and 1: groups share one function, of which each has
    the share sqrt(r_p), and the rest is its own.

    Args:
        agreement: prior on the logit of r, which all groups have in common.
        asked: prior on the logit of the r that the group asked about has for itself, so that one
            group that differs is seen although the others agree; None where it has that of all.
    """

    agreement: NormalPrior
    asked: NormalPrior | None = None

    @property
    def alone(self) -> Grouping:
        """The same groups, of which the one asked about learns nothing from the others."""
        return self if self.asked is None else replace(self, asked=APART)

    @property
    def priors(self) -> tuple[NormalPrior, ...]:
        """Priors on the logits, in the order in which the methods take them."""
        return (self.agreement,) if self.asked is None else (self.agreement, self.asked)

    def correlation(self, logits: Floats, a: Floats, b: Floats) -> Floats:
        """The correlation between groups.

        Args:
            logits: logits of r, shape (q,) or (k, q).
            a, b: numbers of groups, shapes (n,) and (m,).

        Returns:
            Shape (n, m) or (k, n, m); 1 within a group.
        """
        r = expit(logits)[..., None, None, :]
        between = r[..., 0]
        if self.asked is not None:
            between = np.where(_with_first(a, b), np.sqrt(r[..., 0] * r[..., 1]), between)
        return np.asarray(np.where(_apart(a, b), between, 1.0))

    def gradient(self, logits: Floats, a: Floats, traced: Floats) -> list[float]:
        """Derivatives of tr(W K) / 2 by the logits.

        Args:
            logits: logits of r, shape (q,).
            a: numbers of groups, shape (n,).
            traced: the products W_ij K_ij, shape (n, n).
        """
        left, traced = 1.0 - expit(logits), traced * _apart(a, a)
        if self.asked is None:
            return [0.5 * left[0] * float(np.sum(traced))]
        half = 0.5 * float(np.sum(traced * _with_first(a, a)))
        rest = float(np.sum(traced)) - 2.0 * half
        return [0.5 * left[0] * (rest + half), 0.5 * left[1] * half]


def _apart(a: Floats, b: Floats) -> NDArray[np.bool_]:
    return np.asarray(a[:, None] != b[None, :])


def _with_first(a: Floats, b: Floats) -> NDArray[np.bool_]:
    """Where one of a pair is of the group that is asked about, shape (n, m)."""
    return np.asarray((a[:, None] == 0.0) | (b[None, :] == 0.0))


def of_asked(points: Floats, groupings: tuple[Grouping, ...]) -> NDArray[np.bool_]:
    """Which points, shape (n, d), are of the group asked about by the groupings in which it has an
    agreement of its own, shape (n,); none where there is no such grouping."""
    first = points.shape[1] - len(groupings)
    columns = [first + k for k, each in enumerate(groupings) if each.asked is not None]
    return np.asarray((points[:, columns] == 0.0).all(axis=1) & bool(columns))


def some_points(
    points: Floats, groupings: tuple[Grouping, ...], most: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Indices of at most ``most`` random points, shape (n, d), in their order.

    Where a group that is asked about has an agreement of its own, up to half of them are of that
    group: its few points alone say how far it agrees with the others.
    """
    order = np.arange(len(points))
    if len(points) <= most:
        return order
    order = rng.permutation(order)
    first = order[of_asked(points[order], groupings)][: most // 2]
    order = np.concatenate([first, order[~np.isin(order, first)]])
    return np.sort(order[:most])


APART = NormalPrior(-6.0, 0.1)
"""Prior of a group that correlates with the others by less than 0.06, and so learns nothing."""
LINES = Grouping(NormalPrior(1.0, 1.5))
"""Lines: one correlation between any two."""
LABELS = Grouping(NormalPrior(1.0, 1.5), NormalPrior(1.0, 1.5))
"""Labels of the material, such as varieties: today's label agrees with the others as it does."""


@dataclass(frozen=True)
class Parts:
    """An input that has several values at once, one for each part of what is run.

    Where each part responds to its own value, the response is the mean over the parts. Two parts
    whose values lie as far to either side of the level as the parts do in the root mean square
    have that mean to second order (the quadrature of two nodes; Press et al., Numerical Recipes,
    3rd edition, section 4.6). So what runs with one value teach of an input is known of parts that
    differ, too.

    Args:
        level: column of the mean of the values.
        contrasts: columns that hold how the parts differ, 1/2 where they are alike. The sum of the
            squares of their differences from 1/2 is the mean square of the parts' own.
    """

    level: int
    contrasts: tuple[int, ...]

    def apart(self, X: Floats) -> Floats:
        """Root mean square of the differences of the parts at X, shape (n, d); shape (n,)."""
        return np.asarray(np.sqrt(np.sum((X[:, list(self.contrasts)] - 0.5) ** 2, axis=1)))


@dataclass(frozen=True)
class Kernel:
    """Covariance of the smooth deviation, and coordinates, weight and groups of the process.

    Args:
        length_scale: prior on ln ell, in unit inputs.
        variance: prior on ln s2, in squared units of the scaled output.
        groupings: how groups of runs correlate, where the last inputs are numbers of groups rather
            than quantities, one grouping for each of these inputs.
        additive: share of the deviation's variance that is a sum of functions of one input each
            (Duvenaud, Nickisch & Rasmussen, NeurIPS 2011); the rest depends on all inputs jointly.
        coordinates: change of coordinates that is applied before deviation and trend are evaluated,
            a function from (n, d) to (n, d) that is compared by value; None for no change.
        weight: factor on the whole process at each input, a function from (n, d) to (n,) that is
            compared by value; None for a factor of 1.
        shared: which of the length scales each input has; None for one each. Inputs that share one
            count as one input of the additive part.
        parts: the inputs that have several values at once.
    """

    length_scale: NormalPrior = LENGTH_SCALE
    variance: NormalPrior = VARIANCE
    groupings: tuple[Grouping, ...] = ()
    additive: float = 0.0
    coordinates: Callable[[Floats], Floats] | None = None
    weight: Callable[[Floats], Floats] | None = None
    shared: SharedLengths | None = None
    parts: tuple[Parts, ...] = ()

    @cached_property
    def correlations(self) -> tuple[NormalPrior, ...]:
        """Priors on the logits of all groupings, in their order."""
        return tuple(prior for each in self.groupings for prior in each.priors)

    def lengths(self, inputs: int) -> int:
        """Number of length scales for a number of inputs, the number of the line not counted."""
        return inputs if self.shared is None else len(self.shared.members)

    def in_coordinates(self, A: Inputs) -> Inputs:
        """Inputs in the kernel's coordinates, without the numbers of groups."""
        numbers = len(self.groupings)
        if self.coordinates is None and not numbers:
            return A

        def transform() -> Inputs:
            values = A.values if self.coordinates is None else self.coordinates(A.values)
            return Inputs(values[:, : values.shape[1] - numbers])

        inputs: Inputs = A.remember(("coordinates", self.coordinates, numbers), transform)
        return inputs

    def nodes(self, X: Inputs) -> tuple[Inputs, ...]:
        """The points over which the process at X, in the kernel's coordinates, is a mean: X itself,
        or two points for each of X where parts of some point differ."""
        apart = [(each.level, each.apart(X.values)) for each in self.parts]
        if not any(s.any() for _, s in apart):
            return (X,)
        above, below = X.values.copy(), X.values.copy()
        for level, s in apart:
            above[:, level] += s
            below[:, level] -= s
        return Inputs(above), Inputs(below)

    def numbers(self, A: Inputs) -> Floats:
        """Number of each point's group by grouping, shape (n, g)."""
        return np.asarray(A.values[:, A.values.shape[1] - len(self.groupings) :])

    def of_each(self, logits: Floats, numbers: Floats) -> Iterator[tuple[Grouping, Floats, Floats]]:
        """Each grouping with its own logits, shape (..., q), and numbers of groups, shape (n,).

        Args:
            logits: logits of all groupings, shape (..., p).
            numbers: numbers of groups, shape (n, g).
        """
        first = 0
        for k, grouping in enumerate(self.groupings):
            last = first + len(grouping.priors)
            yield grouping, logits[..., first:last], numbers[:, k]
            first = last

    def weights(self, A: Inputs) -> Floats | None:
        """The weight at each input, shape (n,); None where the kernel has no weight."""
        weight = self.weight
        if weight is None:
            return None
        factors: Floats = A.remember(("weight", weight), lambda: weight(A.values))
        return factors
