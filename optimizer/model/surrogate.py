"""The surrogate: predicts true grade and recovery, with their uncertainty, at any settings.

In come set-points (settings and material in unit coordinates) with readings and their known
errors; out come predictions of the true grade and recovery. Several descriptions of a deck (see
``deck_prior``), each a pair of Gaussian processes, are averaged by how well they account for the
runs (see ``averaging``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, ndtr, ndtri

from optimizer.gaussian_process.estimator import Estimator
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import LINES, some_points
from optimizer.gaussian_process.replicates import Groups
from optimizer.gaussian_process.solvers import EXACT
from optimizer.interval import Intervals
from optimizer.model.averaging import favored_of, shares_of, weighted_descriptions
from optimizer.model.candidate import Candidate, candidate_of
from optimizer.model.coordinates import (
    chance_moments,
    from_latent,
    latent_of,
    unwanted_limit,
)
from optimizer.model.deck_prior import COARSE, Frame
from optimizer.model.fitted_surrogate import Latent, Prediction
from optimizer.model.joint import Pair
from optimizer.model.unstated_errors import typical_difference, with_learned_errors
from optimizer.model.wrong_readings import WRONG_BELOW, weights_of_runs
from optimizer.numerics.low_discrepancy import even_points
from optimizer.time_effects.effects import time_effects
from optimizer.time_effects.unknown_days import with_unknown_days

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.gaussian_process.kernel import Grouping
    from optimizer.gaussian_process.solvers import Solver
    from optimizer.measurement.run_readings import RunReadings
    from optimizer.model.coordinates import LatentReadings
    from optimizer.model.deck_coordinates import DeckCoordinates
    from optimizer.time_effects.effects import TimeEffects
    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells, Occasions

    Floats = NDArray[np.float64]

# Number of draws of hyperparameters to average over, by the largest number of set-points for which
# it is used. With few set-points, hyperparameters are uncertain enough to change intervals; with
# many, their mode gives equally good intervals and is many times cheaper.
MEMBERS = ((40, 16), (100, 8), (300, 4))
# Quasi-random normals behind every predicted mean and interval.
PREDICTION_DRAWS = 512
# Number of these normals, taken from the first, behind a mean that a search evaluates.
EXPECTATION_DRAWS = 64
# Nodes of the Gauss-Hermite rule over logit recovery in the chance of grade; a coarse answer uses
# fewer nodes.
GRADE_NODES, COARSE_NODES = 24, 8
# Least and largest number of times that the logits of readings with known errors are computed again
# from the predictions of the model. The second time changes them much less than the first; more are
# needed only while weights of runs change.
REREADINGS, MOST_REREADINGS = 2, 12
# Largest number of set-points on which descriptions are compared: their likelihoods differ by much
# more than this loses.
COMPARED_POINTS = 60
# Weights of runs are settled when none moves by more than this: they move slowly at first where a
# wrong reading also spoils the fit that judges it.
SETTLED = 0.02


@dataclass(frozen=True)
class Settled:
    """What the members of an average are fitted to.

    Attributes:
        weighted: the descriptions that count, each with its weight, the heaviest first.
        best: the heaviest description, fitted to all set-points or, where there were wrong
            readings, to those by which descriptions are compared.
        groups: inputs of the readings, with the weights of runs.
        latent: readings of sharpness and balance, as of the moment that is asked about.
        learned: covariance of the errors of sharpness and balance that was learned where readings
            state no error, shape (2, 2).
        effects: effects of time; None where there are none.
        information: what readings say of effects of time, and the occasions; None where too few
            are dated.
    """

    weighted: list[tuple[Candidate, float]]
    best: Candidate
    groups: Groups
    latent: LatentReadings
    learned: Floats
    effects: TimeEffects | None
    information: tuple[Information, Cells] | None


class Surrogate(Estimator):
    """Model of grade and recovery over settings and material, a scikit-learn estimator.

    Args:
        settings: names of the leading inputs, which are settings; the other inputs describe the
            material.
        members: number of draws of hyperparameters to average over; None for what ``MEMBERS`` says.
        random_state: seed of the estimation of hyperparameters.
        groupings: how groups of runs (lines, labels of the material) correlate, for each of the
            last inputs that is the number of a group.
        solver: how the processes are conditioned on readings: exactly, or by inducing points.
        coordinates: coordinates in which the settings act; None for the inputs themselves.
        descriptions: names of the descriptions that compete (see ``deck_prior``); None for all.
        contrasts: inputs that are contrasts of gates (see ``deck_prior.Frame``).
    """

    def __init__(
        self,
        settings: tuple[str, ...] = (),
        members: int | None = None,
        random_state: int = 0,
        groupings: tuple[Grouping, ...] = (),
        solver: Solver = EXACT,
        coordinates: DeckCoordinates | None = None,
        descriptions: tuple[str, ...] | None = None,
        contrasts: tuple[tuple[int, int, int], ...] = (),
    ) -> None:
        self.settings = settings
        self.members = members
        self.random_state = random_state
        self.groupings = groupings
        self.solver = solver
        self.coordinates = coordinates
        self.descriptions = descriptions
        self.contrasts = contrasts

    def _members(self, points: int) -> int:
        if self.members is not None:
            return self.members
        return next((m for most, m in MEMBERS if points <= most), 1)

    def fit(
        self,
        X: ArrayLike,
        readings: RunReadings,
        feed_odds: ArrayLike,
        occasions: Occasions | None = None,
    ) -> Surrogate:
        """Fit to readings.

        Descriptions of the deck are compared first. A fit of the best one predicts each reading.
        The logits of readings with a known error are then computed from that prediction
        (``RunReadings.given``), as in iteratively reweighted least squares, and runs that
        contradict all others lose their weight. At last each description that counts is fitted.

        Args:
            X: inputs in unit coordinates, shape (n, d); equal rows are replicates.
            readings: readings of n runs, each with grade, recovery and their known variances.
            feed_odds: log odds of the feed grade of each run, shape (n,) or scalar.
            occasions: when and of which lot each run was; None where time is left out.
        """
        X = np.atleast_2d(np.asarray(X, dtype=float))
        odds = np.broadcast_to(np.asarray(feed_odds, dtype=float), len(X))
        frame = self._frame(X.shape[1])
        settled = self._settled(frame, Groups.of(X), readings, odds, occasions)
        groups, latent, weighted = settled.groups, settled.latent, settled.weighted
        self.latent_readings_ = latent.sharpness, latent.balance
        self.run_weights_, self.learned_error_ = groups.weight, settled.learned
        self.time_effects_, self.time_information_ = settled.effects, settled.information
        self.share_of_runs_ = groups.weight / groups.count[groups.which]
        self.favored_ = favored_of(weighted)
        self.n_members_ = self._members(len(groups.points))
        self._of_member = shares_of(np.array([w for _, w in weighted]), self.n_members_)
        self.candidates_: dict[int, Candidate] = {}
        for k in sorted(set(self._of_member.tolist())):
            known = settled.best if k == 0 else weighted[k][0]
            self.candidates_[k] = candidate_of(
                known.description,
                frame,
                groups,
                latent,
                members=int(np.sum(self._of_member == k)),
                like=known,
                correlation=known.error.correlation,
            )
        if settled.effects is not None:
            unsure = self.candidates_[0].unsure_of(settled.effects, groups)
            self.candidates_ = {k: replace(c, unsure=unsure) for k, c in self.candidates_.items()}
        self.pairs_ = [pair for c in self.candidates_.values() for pair in c.members]
        self._stacks: dict[int, list[Pair]] = {}
        # Fixed quasi-random standard normals, shape (draws, 2).
        rng = np.random.default_rng(self.random_state)
        self.normals_ = ndtri(even_points(PREDICTION_DRAWS, 2, rng))
        return self

    def _settled(
        self,
        frame: Frame,
        groups: Groups,
        readings: RunReadings,
        odds: Floats,
        occasions: Occasions | None,
    ) -> Settled:
        """Readings computed again from their predictions, weights of runs and of descriptions."""
        compared = self._compared(groups)
        names, some = self.descriptions, groups.take(compared)
        weighted = weighted_descriptions(
            frame, some, latent_of(readings, odds).take(compared), names
        )
        best, effects = weighted[0][0], None
        timed = occasions if occasions is not None and occasions.enough else None
        for k in range(MOST_REREADINGS):
            latent, before = latent_of(readings, odds).without(effects), groups.weight
            best = candidate_of(best.description, frame, groups, latent, like=best)
            if k == 0:
                stated, readings = readings, with_learned_errors(best, groups, readings, odds)
                learned = typical_difference(readings, stated, odds)
            if timed is not None:
                if k == 0:
                    timed = best.told_apart(groups, latent_of(readings, odds), timed)
                found = best.information(groups, latent_of(readings, odds), timed)
                effects = time_effects(found, timed.cells, effects)
                latent = latent_of(readings, odds).without(effects)
            readings = readings.given(*best.expected_logits(groups, odds, effects))
            groups = groups.weighted(weights_of_runs(best.members[0], groups, latent))
            if k + 1 >= REREADINGS and np.max(np.abs(groups.weight - before)) < SETTLED:
                break
        information = None
        if timed is not None:
            information = best.information(groups, latent_of(readings, odds), timed), timed.cells
            if effects is not None:
                effects = time_effects(*information, effects, last=True)
            if timed.by_habit:
                effects = with_unknown_days(effects, *information)
        latent = latent_of(readings, odds).without(effects)
        if np.any(groups.weight[compared] < WRONG_BELOW):
            # A wrong reading may have decided which description seemed best.
            some, known = groups.take(compared), [c for c, _ in weighted]
            weighted = weighted_descriptions(frame, some, latent.take(compared), names, known)
            best = weighted[0][0]
        return Settled(weighted, best, groups, latent, learned, effects, information)

    def _compared(self, groups: Groups) -> NDArray[np.bool_]:
        """Mask, shape (n,), of the runs by which descriptions are compared: all runs at some of the
        set-points."""
        rng = np.random.default_rng(self.random_state)
        index = some_points(groups.points, self.groupings, COMPARED_POINTS, rng)
        return np.isin(groups.which, index)

    def _frame(self, inputs: int) -> Frame:
        quantities, groupings = inputs - len(self.groupings), self.groupings
        parts = self.coordinates, groupings, self.solver, self.random_state
        return Frame(self.settings, quantities, *parts, self.contrasts)

    @property
    def exact(self) -> bool:
        """Whether the processes hold every set-point exactly and all set-points are of one line."""
        one_line = LINES not in self.groupings
        return one_line and all(p.first.exact and p.second.exact for p in self.pairs_)

    @property
    def agreement_(self) -> float | None:
        """Correlation between groups of runs, see ``FittedSurrogate``."""
        if not self.groupings:
            return None
        processes = [process for p in self.pairs_ for process in (p.first, p.second)]
        return float(np.mean([process.agreement for process in processes]))

    def pairs(self, step: int = 1) -> list[Pair]:
        """The pair of every ``step``-th member, those of one description joined to one stack where
        the solver allows it."""
        if step not in self._stacks:
            found = []
            for k, candidate in self.candidates_.items():
                own = np.flatnonzero(self._of_member == k)
                picked = np.flatnonzero(own % step == 0)
                if len(picked):
                    found += candidate.pair(picked)
            self._stacks[step] = found
        return self._stacks[step]

    def latent(self, A: ArrayLike | Inputs, coarse: bool = False) -> Latent:
        """Sharpness and balance at A, (n, d), by all members or, if ``coarse``, by every fourth."""
        inputs, found = Inputs.of(A), []
        for pair in self.pairs(COARSE if coarse else 1):
            moments = pair.moments(inputs)
            s, cut, own = pair.variance(moments)
            found.append((*moments.mean, s, own, cut))
        S, C, s, c, cut = (np.vstack(parts) for parts in zip(*found, strict=True))
        return Latent(np.stack([S, C], axis=1), np.stack([s, c], axis=1), cut)

    def predict(self, A: ArrayLike | Inputs, feed_odds: float, level: float = 0.9) -> Prediction:
        """Mean and central interval of the true grade and recovery at A, shape (n, d)."""
        found = self.latent(A)
        draws = [part.draws(self.normals_) for part in found.members]
        S, C = (np.concatenate(parts) for parts in zip(*draws, strict=True))
        grade, recovery = from_latent(S, C, feed_odds)
        return Prediction(_estimate(grade, level), _estimate(recovery, level))

    def outlook(
        self,
        A: ArrayLike | Inputs,
        min_grade: float,
        feed_odds: float,
        coarse: bool = False,
    ) -> tuple[Floats, Floats]:
        """Chance that the true grade is at least ``min_grade``, and mean true recovery, at A.

        Given a = logit recovery, the grade is met when b = logit p_u is below a limit, and b given
        a is normal. One integral over a remains, which a Gauss-Hermite rule evaluates.

        Args:
            A: inputs, shape (n, d).
            min_grade: fraction.
            feed_odds: log odds of the feed grade.
            coarse: whether to use fewer members and nodes, which is enough for a shortlist.

        Returns:
            Chance and recovery, each (n,).
        """
        found = self.latent(A, coarse)
        mean_a = 0.5 * (found.mean[:, 1] + found.mean[:, 0])[..., None]
        mean_b = 0.5 * (found.mean[:, 1] - found.mean[:, 0])[..., None]
        nodes, weights = np.polynomial.hermite_e.hermegauss(COARSE_NODES if coarse else GRADE_NODES)
        weights = weights / weights.sum()
        s, c = found.variance[:, 0], found.variance[:, 1]
        sd_a, slope, spread = (part[..., None] for part in chance_moments(s, c, found.cut))
        off = sd_a * nodes
        limit = unwanted_limit(mean_a + off, min_grade, feed_odds)
        inside = ndtr((limit - mean_b - slope * off) / spread)
        chance = np.clip(inside @ weights, 0.0, 1.0).mean(axis=0)
        return chance, (expit(mean_a + off) @ weights).mean(axis=0)

    def expect(
        self,
        function: Callable[[Floats, Floats, Floats], Floats],
        A: ArrayLike | Inputs,
        coarse: bool = False,
    ) -> Floats:
        """Posterior mean, (n,), of a function of sharpness, balance ((draws, n)) and A, (n, d)."""
        A = Inputs.of(A)
        members = self.latent(A, coarse).members
        z = self.normals_[: EXPECTATION_DRAWS // (COARSE if coarse else 1)]
        total = np.zeros(len(A))
        for member in members:
            total += function(*member.draws(z), A.values).mean(axis=0)
        return total / len(members)

    def chance_of_grade(self, A: ArrayLike | Inputs, min_grade: float, feed_odds: float) -> Floats:
        """Probability that the true grade at A, shape (n, d), is at least ``min_grade``."""
        return self.outlook(A, min_grade, feed_odds)[0]

    def mean_yield(self, A: ArrayLike | Inputs, feed_odds: float) -> Floats:
        """Share of the feed that goes to the product, shape (n,), at the mean sharpness and balance
        of each member, averaged over members."""
        means = self.latent(A).mean
        grade, recovery = from_latent(means[:, 0], means[:, 1], feed_odds)
        return np.clip(expit(feed_odds) * recovery / grade, 0.0, 1.0).mean(axis=0)

    def noise_covariance(self) -> Floats:
        """Covariance of the process noise of one reading, see ``FittedSurrogate``."""
        each = [c.noise_covariance() for c in self.candidates_.values()]
        counts = [len(c.members) for c in self.candidates_.values()]
        return np.asarray(np.average(each, axis=0, weights=counts)) + self.learned_error_

    def reading_sd(self) -> tuple[float, float]:
        """Standard deviations of the process noise of one reading, of sharpness and of balance."""
        s, c = np.sqrt(np.diag(self.noise_covariance()))
        return float(s), float(c)


def _estimate(draws: Floats, level: float) -> Intervals:
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(draws, [tail, 1.0 - tail], axis=0)
    return Intervals(draws.mean(axis=0), low, high)
