"""The gain of a trial: noisy, constrained expected improvement in log form.

The best reading is not used as the incumbent, because a best reading owes part of its value to
noise. Instead the incumbent is unknown: it is drawn jointly with the candidates from the posterior
at the settings already tried (Letham, Karrer, Ottoni & Bakshy, Bayesian Anal. 14, 2019, 495). In
each draw the incumbent is the highest worth among settings that meet the grade, and the gain of a
candidate that meets the grade is its worth above the incumbent, if positive. Gains are computed as
logarithms (Ament et al., NeurIPS 2023), so that candidates of tiny gain can still be ranked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import erfcx, log_expit, log_ndtr, logsumexp, ndtri_exp

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.coordinates import chance_moments, from_latent, unwanted_limit
from optimizer.model.deck_prior import COARSE
from optimizer.model.fitted_surrogate import FittedSurrogate
from optimizer.model.pair_draws import PairDraws, draw_pairs
from optimizer.planning.objective import RECOVERY, Recovery

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.planning.objective import Objective, Worth

    Floats = NDArray[np.float64]

LOG_SQRT_2PI = 0.5 * float(np.log(2.0 * np.pi))
LOG_SQRT_PI_2 = 0.5 * float(np.log(0.5 * np.pi))
SQRT_2 = float(np.sqrt(2.0))
# Below z = -1 the two terms of EI cancel numerically. Below this z, 1 - z^2 exp(...) cancels too,
# and its limit 1/z^2 is used.
CANCELLATION_FROM, ASYMPTOTE_FROM = -1.0, -1.0 / np.sqrt(np.finfo(float).eps)
# Total number of joint draws, and the largest number of members (draws of hyperparameters) among
# which they are divided. A gain is the average over both.
DRAWS, MOST_MEMBERS = 64, 8
# Nodes of the Gauss-Legendre rule over the quantiles of logit recovery, on (0, 1): its error is
# below 2 % for gains above 0.005 and below a factor of two for tiny gains (checked by tests), while
# the draws cause an error of ten per cent. A shortlist needs fewer nodes.
NODES, COARSE_NODES = 8, 4
# Smallest distance of a node above the floor: rounding may put a node on the floor, where the gain
# is 0 and has no logarithm.
SMALLEST_STEP = 1e-12
# Incumbent (logit recovery) of a draw in which no tried setting meets the grade.
NOTHING = -30.0
# Numbers of nodes over a = logit p_w and over b = logit p_u given a, for worths that depend on
# both.
OUTER, INNER = 6, 4
# Number of grades in each draw over which a gain in the trade-off is averaged.
GRADES = 8
GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)
# Width of the softened corner of max(worth - best, 0), as a share of the scale of worths. Softening
# keeps logarithms finite.
SOFTNESS = 1e-3


def log_expected_improvement(mean: ArrayLike, sd: ArrayLike, best: ArrayLike) -> Floats:
    """ln E[max(y - best, 0)], y ~ N(mean, sd), finite and smooth far below ``best``.

    ln h(z) + ln sd, z = (mean - best)/sd, h(z) = phi(z) + z Phi(z), with the forms of Ament et
    al. (2023), eq. 9, for z < -1.

    >>> round(float(np.exp(log_expected_improvement(-0.5, 1.0, 0.0))), 6)
    0.197797
    """
    mean, sd, best = (np.asarray(x, dtype=float) for x in (mean, sd, best))
    z = (mean - best) / sd
    return _log_h(z) + np.log(sd)


def expected_improvement(mean: ArrayLike, sd: ArrayLike, best: ArrayLike) -> Floats:
    """E[max(y - best, 0)], y ~ N(mean, sd)."""
    return np.exp(log_expected_improvement(mean, sd, best))


def _log_h(z: Floats) -> Floats:
    """ln(phi(z) + z Phi(z))."""
    shape, z = np.shape(z), np.ravel(z)
    out = np.empty_like(z)
    near = z > CANCELLATION_FROM
    far = z <= ASYMPTOTE_FROM
    mid = ~near & ~far
    x = z[near]
    density = np.exp(-0.5 * x * x - LOG_SQRT_2PI)
    out[near] = np.log(density + x * np.exp(log_ndtr(x)))
    x = z[mid]
    tail = np.log(erfcx(-x / SQRT_2) * np.abs(x)) + LOG_SQRT_PI_2
    out[mid] = -0.5 * x * x - LOG_SQRT_2PI + np.log(-np.expm1(tail))
    x = z[far]
    out[far] = -0.5 * x * x - LOG_SQRT_2PI - 2.0 * np.log(-x)
    return out.reshape(shape)


@dataclass(frozen=True)
class Outlook:
    """Normal distributions of sharpness and balance of n candidates, given each of s draws.

    Attributes:
        sharpness, balance: means given each draw at other settings, shape (..., s, n).
        sharpness_variance: variance of the sharpness, in a shape that broadcasts with the means.
        balance_variance: variance of the balance given the sharpness, in such a shape.
        slope: slope of the balance on the sharpness, in such a shape.
    """

    sharpness: Floats
    balance: Floats
    sharpness_variance: Floats
    balance_variance: Floats
    slope: Floats | float = 0.0

    @property
    def mean_wanted(self) -> Floats:
        """Mean of a = logit p_w = (C + S)/2, the logit of the recovery."""
        return 0.5 * (self.balance + self.sharpness)

    @property
    def mean_unwanted(self) -> Floats:
        """Mean of b = logit p_u = (C - S)/2."""
        return 0.5 * (self.balance - self.sharpness)

    @property
    def conditional(self) -> tuple[Floats, Floats, Floats]:
        """Standard deviation of a, slope of b on a, and standard deviation of b given a."""
        return chance_moments(self.sharpness_variance, self.balance_variance, self.slope)


def log_constrained_improvement(
    outlook: Outlook,
    best: Floats,
    min_grade: float | Floats,
    feed_odds: float,
    nodes: int = NODES,
) -> Floats:
    """ln E[(recovery - best)^+ 1{grade >= min_grade}] for normal S and C.

    With a = (C + S)/2 = logit recovery and b = (C - S)/2, the grade is met when b <= b*(a), and b
    given a is normal, so the expectation is one integral over a > logit(best). In terms of the
    quantiles of a, truncated at logit(best), the integrand is smooth, and a few Gauss-Legendre
    nodes suffice.

    Args:
        outlook: distributions of the candidates.
        best: logit of the recovery to beat in each draw, shape (..., s).
        min_grade: fraction, one for all draws or one for each draw, shape (s, 1).
        feed_odds: log odds of today's feed grade.
        nodes: number of nodes of the rule.

    Returns:
        shape (..., s, n).
    """
    sd_a, slope, spread = outlook.conditional
    mean_a, mean_b = outlook.mean_wanted, outlook.mean_unwanted
    floor = best[..., None]
    log_above = log_ndtr((mean_a - floor) / sd_a)
    x, weights = np.polynomial.legendre.leggauss(nodes)
    # Results replace their terms: the arrays are large, and memory for new ones costs time.
    z = log_above[..., None] + np.log(0.5 * (x + 1.0))
    np.negative(ndtri_exp(z, out=z), out=z)
    a = sd_a[..., None] * z
    a += mean_a[..., None]
    np.maximum(a, floor[..., None] + SMALLEST_STEP, out=a)
    z *= (slope * sd_a)[..., None]
    z += mean_b[..., None]
    met = unwanted_limit(a, np.asarray(min_grade)[..., None], feed_odds)
    met -= z
    met /= spread[..., None]
    log_ndtr(met, out=met)
    terms = _log_recovery_gain(a, floor[..., None])
    terms += met
    peak = terms.max(axis=-1, keepdims=True)
    terms -= peak
    return log_above + peak[..., 0] + np.log(np.exp(terms, out=terms) @ (0.5 * weights))


def log_constrained_gain(
    worth: Callable[[Floats, Floats], Floats],
    outlook: Outlook,
    best: Floats,
    scale: float,
    min_grade: float | None,
    feed_odds: float,
) -> Floats:
    """ln E[(worth - best)^+ 1{grade >= min_grade}] for any worth and normal S and C.

    The rule has nodes over a = logit recovery and over the quantiles of b = logit p_u given a,
    truncated at its limit. The positive part is softened by ``SOFTNESS`` times the scale (Ament et
    al., 2023).

    Args:
        worth: worth as a function of S and C, whose shapes are (..., n).
        outlook, feed_odds: see ``log_constrained_improvement``.
        best: worth to beat in each draw, shape (..., s).
        scale: typical size of worths, in their unit.
        min_grade: fraction, or None for no limit.

    Returns:
        shape (..., s, n).
    """
    sd_a, slope, spread = outlook.conditional
    mean_a, mean_b = outlook.mean_wanted, outlook.mean_unwanted
    outer, outer_weights = np.polynomial.hermite_e.hermegauss(OUTER)
    inner, inner_weights = np.polynomial.legendre.leggauss(INNER)
    terms = []
    for z, weight in zip(outer, outer_weights / outer_weights.sum(), strict=True):
        a = mean_a + sd_a * z
        middle = mean_b + slope * sd_a * z
        limit = np.inf if min_grade is None else unwanted_limit(a, min_grade, feed_odds)
        log_met = log_ndtr((limit - middle) / spread)
        for x, share in zip(0.5 * (inner + 1.0), 0.5 * inner_weights, strict=True):
            b = middle + spread * ndtri_exp(log_met + np.log(x))
            softened = SOFTNESS * scale
            log_gain = _log_softplus((worth(a - b, a + b) - best[..., None]) / softened)
            terms.append(np.log(weight * share * softened) + log_met + log_gain)
    return logsumexp(np.array(terms), axis=0)


def _log_softplus(x: Floats) -> Floats:
    """ln ln(1 + e^x), which approaches x far below 0."""
    return np.where(x < -30.0, x, np.log(np.logaddexp(0.0, np.maximum(x, -30.0))))


def _log_recovery_gain(a: Floats, floor: Floats) -> Floats:
    """ln(expit(a) - expit(floor)) for a > floor, without cancellation."""
    gap = floor - a
    np.negative(np.expm1(gap, out=gap), out=gap)
    np.log(gap, out=gap)
    gain = log_expit(a)
    gain += log_expit(-floor)
    gain += gap
    return np.asarray(gain)


class ConstrainedImprovement:
    """Noisy constrained expected improvement over settings at today's material.

    Args:
        surrogate: the fitted surrogate.
        base: inputs of the settings (tried, pending or picked) among which each draw finds its
            incumbent, shape (m, d), with today's material.
        min_grade: grade to reach, a fraction.
        feed_odds: log odds of today's feed grade.
        room: largest number of picked trials that will be added.
        seed: seed of the draws.
        objective: the worth to improve. Where it is the recovery over all grades from a reference
            to 1, the gain is averaged over those grades. That average is the expected hypervolume
            improvement (Emmerich, Giannakoglou & Naujoks, IEEE Trans. Evol. Comput. 10, 2006, 421)
            divided by the width of the range of grades: at each grade, a trial adds to the area
            below the trade-off curve the recovery by which it exceeds the best recovery at that
            grade.
    """

    def __init__(
        self,
        surrogate: FittedSurrogate,
        base: Floats,
        min_grade: float | None,
        feed_odds: float,
        room: int = 8,
        seed: int = 0,
        objective: Objective = RECOVERY,
    ) -> None:
        self.feed_odds, self.objective = feed_odds, objective
        step = -(-surrogate.n_members_ // MOST_MEMBERS)
        members = len(range(0, surrogate.n_members_, step))
        per_member = max(4, DRAWS // members)
        # The grades to meet, and the weight of the gain at each grade.
        self.grades: list[tuple[Any, float]] = [(min_grade, 1.0)]
        if isinstance(objective, Recovery) and objective.reference is not None:
            self.grades = _grades_above(objective.reference, 2 * (per_member // 2))
        width = len(base) + room
        # The draws are antithetic (each draw and its mirror image), which reduces the error of few
        # draws in many dimensions.
        half = np.random.default_rng(seed).standard_normal((members, per_member // 2, width, 2))
        normals, points = np.concatenate([half, -half], axis=1), Inputs(base)
        self._fine = draw_pairs(surrogate.pairs(step), points, normals)
        self._rough = draw_pairs(surrogate.pairs(step * COARSE), points, normals[::COARSE])
        self._set_incumbents()

    def _set_incumbents(self) -> None:
        """Find, for each draw and each grade, the highest worth among base points that meet the
        grade."""
        nothing = NOTHING
        if not isinstance(self.objective, Recovery):
            worths = [self._worth(*pair.values, pair.base.values) for pair in self._fine]
            low, high = min(float(w.min()) for w in worths), max(float(w.max()) for w in worths)
            self._scale = max(high - low, abs(high), 1e-12)
            nothing = low - self._scale
        self._best = [[self._incumbents(p, nothing) for p in part] for part in self._parts]

    def _incumbents(self, pair: PairDraws, nothing: float) -> list[Floats]:
        """Incumbents of each draw, shape (..., draws), one array for each grade."""
        S, C = pair.values
        grade = from_latent(S, C, self.feed_odds)[0]
        worth = self._worth(S, C, pair.base.values)
        return [
            np.where(True if asked is None else grade >= asked, worth, nothing).max(
                axis=-1, initial=nothing
            )
            for asked, _ in self.grades
        ]

    def _worth(self, S: Floats, C: Floats, A: Floats) -> Floats:
        # The recovery is kept as a logit, from which the gain is computed without cancellation.
        if isinstance(self.objective, Recovery):
            return 0.5 * (S + C)
        return self.objective.at(A)(S, C)

    @property
    def _parts(self) -> tuple[list[PairDraws], list[PairDraws]]:
        return self._fine, self._rough

    def extend(self, point: Floats) -> None:
        """Add a picked trial, inputs of shape (1, d), to the settings that define the incumbent."""
        self._fine, self._rough = ([p.extend(point) for p in part] for part in self._parts)
        self._set_incumbents()

    def log_gain(self, A: ArrayLike | Inputs, coarse: bool = False) -> Floats:
        """ln of the expected gain in worth of a trial at each of A, with recovery as a fraction.

        Args:
            A: inputs, shape (n, d).
            coarse: whether to use a quarter of the members and fewer nodes, which is enough for a
                shortlist.

        Returns:
            shape (n,).
        """
        terms, points = [], Inputs.of(A)
        worth = self.objective.at(points.values)
        for pair, bests in zip(self._parts[coarse], self._best[coarse], strict=True):
            S, C, *rest = pair.conditional(points)
            outlook = Outlook(S, C, *(part[..., None, :] for part in rest))
            each = [
                np.log(weight) + self._log_gain_of(outlook, best, asked, worth, coarse)
                for (asked, weight), best in zip(self.grades, bests, strict=True)
            ]
            one = each[0] if len(each) == 1 else logsumexp(each, axis=0)
            terms.append(one.reshape(-1, len(points)))
        stacked = np.concatenate(terms, axis=0)
        return logsumexp(stacked, axis=0) - np.log(len(stacked))

    def _log_gain_of(
        self, outlook: Outlook, best: Floats, min_grade: Any, worth: Worth, coarse: bool
    ) -> Floats:
        """ln of the expected gain in each draw, for one grade, shape (..., draws, n)."""
        odds = self.feed_odds
        if isinstance(self.objective, Recovery):
            assert min_grade is not None
            nodes = COARSE_NODES if coarse else NODES
            return log_constrained_improvement(outlook, best, min_grade, odds, nodes)
        return log_constrained_gain(worth, outlook, best, self._scale, min_grade, odds)


def _grades_above(reference: float, draws: int) -> list[tuple[Floats, float]]:
    """Grades between a reference and 1 with equal weights: arrays of shape (draws, 1).

    As a function of the grade, the incumbent falls in steps, at different grades in each draw. The
    grades are therefore shifted evenly from draw to draw, so that the average does not depend on
    the positions of the steps.
    """
    shift = (np.arange(draws) + 0.5) * GOLDEN % 1.0
    return [
        (reference + (1.0 - reference) * ((k + shift) / GRADES)[:, None], 1.0 / GRADES)
        for k in range(GRADES)
    ]
