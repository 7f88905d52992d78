"""A description fitted to readings, and how well it accounts for them.

The evidence of a description is its marginal likelihood: the likelihood of all readings of both
quantities, with the covariance of their errors, averaged over the hyperparameters by Laplace's
approximation (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, section 5.2;
MacKay, Information Theory, Inference, and Learning Algorithms, 2003, chapter 27).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.estimation import SEARCH_POINTS, Estimated
from optimizer.model.coordinates import PairReadings, latent_covariance, logits_of
from optimizer.model.deck_prior import (
    Description,
    Frame,
    fit_pair,
    processes_of,
)
from optimizer.model.inducing_pair import InducingPair
from optimizer.model.joint import JointPair, Pair
from optimizer.model.left_out import blocks_out, log_density
from optimizer.model.shared_error import SharedError
from optimizer.time_effects.information import Information
from optimizer.time_effects.occasions import NONE
from optimizer.time_effects.spread import days_are_settings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.process import GaussianProcess
    from optimizer.gaussian_process.replicates import Groups
    from optimizer.model.coordinates import LatentReadings
    from optimizer.model.deck_prior import Processes
    from optimizer.time_effects.effects import TimeEffects, Unsure
    from optimizer.time_effects.occasions import Occasions

    Floats = NDArray[np.float64]

# Correlations of the process noise of the two readings that are compared, and the prior standard
# deviation of their Fisher transforms.
CORRELATIONS = np.tanh(np.linspace(-2.4, 2.4, 13))
FISHER_SD = 0.8
# Step of the finite differences of gradients, and the smallest curvature that counts as one.
STEP, LEAST_CURVATURE = 1e-3, 0.1


@dataclass(frozen=True)
class Candidate:
    """A description fitted to readings.

    Attributes:
        description: what is assumed.
        processes: the two fitted processes.
        error: what the errors of the two readings of a run have in common.
        readings: number of readings of each quantity, by weight.
        unsure: what is not known of effects of time, see ``Pair``.
    """

    description: Description
    processes: Processes
    error: SharedError
    readings: float
    unsure: Unsure | None = None

    def pair(self, members: Iterable[int]) -> list[Pair]:
        """The pairs of the members of these numbers, joined to one stack where the solver allows
        it."""
        numbers = list(members)
        if not self.exact:
            return [self.members[k] for k in numbers]
        first, second = ([gp.posteriors_[k] for k in numbers] for gp in self.processes)
        stacks = zip(first[0].stack(first), second[0].stack(second), strict=True)
        return [JointPair(a, b, self.error, self.description.apart, self.unsure) for a, b in stacks]

    @cached_property
    def members(self) -> list[Pair]:
        """The pair of each member."""
        kind = JointPair if self.exact else InducingPair
        first, second = (gp.posteriors_ for gp in self.processes)
        pairs = zip(first, second, strict=True)
        return [kind(a, b, self.error, self.description.apart, self.unsure) for a, b in pairs]

    @property
    def exact(self) -> bool:
        """Whether both processes are conditioned on every set-point."""
        return all(p.exact for gp in self.processes for p in gp.posteriors_)

    @property
    def vectors(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Hyperparameters of the first member of each process."""
        first, second = (gp.posteriors_[0].hyperparameters.vector for gp in self.processes)
        return tuple(first.tolist()), tuple(second.tolist())

    @cached_property
    def log_evidence(self) -> float:
        """Log marginal likelihood of the readings of sharpness and balance.

        The candidate must have one member and exact posteriors.
        """
        (pair,) = self.members
        assert isinstance(pair, JointPair)
        value = pair.log_likelihood + sum(map(_log_volume, self.processes))
        # The density of S and C is that of the logits of the shares over 2 for each reading.
        return value - self.readings * np.log(2.0) * self.description.apart

    @cached_property
    def log_left_out(self) -> Floats:
        """Log density of the mean reading at each set-point, given the readings at all others,
        shape (u,), of a candidate with one member and exact posteriors."""
        prior = self.members[0].joint_prior()
        each = [np.array([k]) for k in range(len(prior.noise))]
        mean, covariance = blocks_out(prior, each)
        off = (prior.read.reshape(2, -1) - mean).T
        return log_density(off, covariance + prior.noise)

    def information(
        self, groups: Groups, latent: LatentReadings, occasions: Occasions
    ) -> Information:
        """What readings say of the effects of time, by a candidate of one member.

        Args:
            groups: inputs of the readings.
            latent: readings with all effects in them.
            occasions: when the runs were.
        """
        (pair,) = self.members
        read = np.array([latent.sharpness, latent.balance])
        means = pair.read_means(np.array([groups.mean(each) for each in read]))
        return Information.of(means, groups, read, occasions.cells.which)

    def told_apart(self, groups: Groups, latent: LatentReadings, occasions: Occasions) -> Occasions:
        """The occasions, with days only where they can be told from settings; by a candidate of
        one member, see ``days_are_settings``. On a plant that runs by habit they never can."""
        if occasions.by_habit:
            return replace(occasions, by_day=False)
        if np.bincount(groups.which).max() < 2:
            return occasions
        points = replace(
            occasions, day=groups.which, lot=np.full(len(groups.which), NONE), day_now=NONE
        )
        days, same = (self.information(groups, latent, each) for each in (occasions, points))
        confused = days_are_settings(days, occasions.cells, same, points.cells)
        return replace(occasions, by_day=not confused)

    def unsure_of(self, effects: TimeEffects, groups: Groups) -> Unsure:
        """What is not known of effects of time, as far as it matters to predictions.

        Args:
            effects: effects of time on the readings.
            groups: inputs of the readings.
        """
        whole = effects.unsure(groups)
        pair = replace(self, unsure=whole).members[0]
        return whole.along(pair.not_known(pair.moments(groups.points)))

    def expected_logits(
        self, groups: Groups, feed_odds: Floats, effects: TimeEffects | None
    ) -> tuple[Floats, Floats]:
        """Logits of grade and recovery that a candidate of one member predicts for each reading,
        each (n,).

        Args:
            groups: inputs of the readings.
            feed_odds: log odds of the feed grade of each reading, shape (n,).
            effects: effects of time on the readings.
        """
        S, C = (m[groups.which] for m in self.members[0].moments(groups.points).mean)
        if effects is not None:
            S, C = S + effects.of_runs[0], C + effects.of_runs[1]
        return logits_of(S, C, feed_odds)

    def noise_covariance(self) -> Floats:
        """Covariance of the process noise of a reading of sharpness and of balance, (2, 2)."""
        a, b = (gp.noise_variance() for gp in self.processes)
        both = self.error.correlation * np.sqrt(a * b)
        if self.description.apart:
            a, b, both = latent_covariance(a, b, both)
        return np.array([[a, both], [both, b]])


def candidate_of(
    description: Description,
    frame: Frame,
    groups: Groups,
    latent: LatentReadings,
    members: int = 1,
    like: Candidate | None = None,
    correlation: float | None = None,
) -> Candidate:
    """Fit a description to readings.

    Args:
        description: what is assumed.
        frame: inputs and solver.
        groups: inputs of the readings, grouped by replicates.
        latent: readings of sharpness and balance.
        members: number of draws of hyperparameters to average over.
        like: an earlier fit of the description, from whose hyperparameters the searches start; None
            to start from the prior means.
        correlation: correlation of the process noise of the two readings of a run; None to estimate
            it, which needs a single member.
    """
    readings = PairReadings.of(latent, description.apart)
    processes = processes_of(description, frame, members)
    starts = (None, None) if like is None else like.vectors
    for gp, start in zip(processes, starts, strict=True):
        gp.set_params(hyperparameters=Estimated(members, searches=1, start=start))
    fit_pair(description, processes, groups, readings)
    error = SharedError(groups.mean(readings.covariance), readings.scatter(groups)[2])
    if correlation is None:
        correlation = _correlation(processes, error, frame.seed)
    total = float(groups.count.sum())
    return Candidate(description, processes, error.correlated(correlation), total)


def _correlation(processes: Processes, error: SharedError, seed: int) -> float:
    """The correlation of highest posterior density among those that are compared.

    With many set-points a random subset decides, as in the search for the other hyperparameters.
    """
    first, second = (gp.posteriors_[0] for gp in processes)
    points = len(error.known)
    if points > SEARCH_POINTS or not (first.exact and second.exact):
        some = np.sort(np.random.default_rng(seed).permutation(points)[:SEARCH_POINTS])
        first, second = first.of_subset(some), second.of_subset(some)
        error = error.of_subset(some)
    density = [
        JointPair(first, second, error.correlated(float(rho))).log_likelihood
        - 0.5 * (np.arctanh(rho) / FISHER_SD) ** 2
        for rho in CORRELATIONS
    ]
    return float(CORRELATIONS[int(np.argmax(np.round(density, 6)))])


def _log_volume(gp: GaussianProcess) -> float:
    """Log of the prior density at the mode times the volume of the posterior about it."""
    density = gp.hyperparameter_posterior()
    mode = gp.posteriors_[0].hyperparameters.vector
    at_mode = density.negative(mode)[1]
    shifts = STEP * np.eye(len(mode))
    curvature = np.array([density.negative(mode + e)[1] - at_mode for e in shifts]) / STEP
    curvatures = np.linalg.eigvalsh(0.5 * (curvature + curvature.T))
    prior = density.prior.log_density(mode)[0] - np.sum(np.log(density.prior.sd))
    # The factors 2 pi of the normal prior and of the volume cancel.
    return float(prior - 0.5 * np.sum(np.log(np.clip(curvatures, LEAST_CURVATURE, None))))
