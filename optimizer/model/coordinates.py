"""Grade and recovery as sharpness and balance of the separation.

A deck sends a wanted particle to the product with probability p_w (the recovery) and an unwanted
one with p_u. With a share f of wanted material in the feed, grade = f p_w / (f p_w + (1-f) p_u).
In a = logit p_w and b = logit p_u the two effects of a deck are separate:

    sharpness S = a - b    how well it separates the two (exposure, air: one broad hump)
    balance   C = a + b    how much of everything goes to the product (speed, tilt: nearly linear)

The formula accounts exactly for a change of the feed grade, keeps grade and recovery inside (0, 1),
and derives both from one pair (S, C), so it includes their trade-off.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit, log_expit, logit

from optimizer.measurement.run_readings import clip_logit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.measurement.run_readings import RunReadings
    from optimizer.time_effects.effects import TimeEffects

    Floats = NDArray[np.float64]

# A reading with p_u at or above 1 is impossible: noise or a wrong feed grade caused it. Its p_u is
# replaced by this share.
MOST_UNWANTED = 0.98
# Without a measured feed grade, the worst run is assumed to send this share of the unwanted
# material to the product.
GUESS_WORST_UNWANTED = 0.6


def log_odds(fraction: Floats | float) -> Floats:
    """Logit of fractions, shape kept; also finite for exactly 0 or 1 (`clip_logit`)."""
    return clip_logit(logit(np.asarray(fraction, dtype=float)))


def guess_feed_odds(grade_logit: Floats, recovery_logit: Floats) -> float:
    """Log odds of a feed grade with which every reading is possible, for logs without a feed grade.

    Any fixed feed grade keeps the map between (grade, recovery) and (S, C) one to one.

    Args:
        grade_logit, recovery_logit: readings on the logit scale, shape (n,).
    """
    worst = np.max(log_expit(recovery_logit) - grade_logit)
    return float(np.log(GUESS_WORST_UNWANTED) - worst)


def log_unwanted(grade_logit: Floats, recovery_logit: Floats, feed_odds: Floats | float) -> Floats:
    """ln p_u of readings, shape (n,); above 0 where the feed grade contradicts a reading."""
    return log_expit(recovery_logit) + feed_odds - grade_logit


@dataclass(frozen=True)
class LatentReadings:
    """Readings as sharpness and balance with the covariance of their errors, each (n,).

    Both derive from the same count, so their errors are nearly opposite: the covariance is usually
    negative, and as large as the variances.

    Attributes:
        sharpness, balance: readings, in logits.
        sharpness_variance, balance_variance: known variances of their errors.
        covariance: known covariance of their errors.
        doubt: covariance of effects of time that were taken off them, as far as it adds to the
            scatter of readings, shape (n, 2, 2); None where there are none.
    """

    sharpness: Floats
    balance: Floats
    sharpness_variance: Floats
    balance_variance: Floats
    covariance: Floats
    doubt: Floats | None = None

    def without(self, effects: TimeEffects | None) -> LatentReadings:
        """The readings as of one moment: less the effects of time."""
        if effects is None:
            return self
        off = effects.of_runs
        return replace(
            self,
            sharpness=self.sharpness - off[0],
            balance=self.balance - off[1],
            doubt=effects.doubt,
        )

    def take(self, rows: NDArray[np.bool_]) -> LatentReadings:
        """The readings for which the mask ``rows``, shape (n,), is True."""
        each = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(self, **{k: v[rows] for k, v in each.items() if v is not None})


def to_latent(
    grade_logit: Floats, recovery_logit: Floats, feed_odds: Floats | float
) -> tuple[Floats, Floats]:
    """Grade and recovery, as logits, shape (n,), as sharpness and balance, each (n,).

    Args:
        feed_odds: log odds of the feed grade, shape (n,) or scalar.
    """
    log_u = _possible(log_unwanted(grade_logit, recovery_logit, feed_odds))
    b = log_u - np.log1p(-np.exp(log_u))
    return recovery_logit - b, recovery_logit + b


def latent_of(readings: RunReadings, feed_odds: Floats | float) -> LatentReadings:
    """Readings of n runs as sharpness and balance, with the covariance of their errors.

    With a = logit recovery and b = logit p_u, to first order
    db = [(1 - r) da - d logit g + d feed odds] / (1 - p_u).

    Args:
        readings: grade and recovery with the covariance of their errors and that of the feed grade.
        feed_odds: log odds of the feed grade, shape (n,) or scalar.
    """
    lg, a = readings.grade_logit, readings.recovery_logit
    by_grade = 1.0 / -np.expm1(_possible(log_unwanted(lg, a, feed_odds)))
    by_recovery = expit(-a) * by_grade
    va, with_grade = readings.recovery_variance, readings.grade_recovery_covariance
    # The error of b besides its part by_recovery * da is by_grade * e, e = d feed odds - d logit g.
    ve = readings.grade_variance + readings.feed_variance - 2.0 * readings.grade_feed_covariance
    with_e = by_grade * (readings.recovery_feed_covariance - with_grade)
    vb = by_recovery**2 * va + by_grade**2 * ve + 2.0 * by_recovery * with_e
    both = by_recovery * va + with_e
    return LatentReadings(*to_latent(lg, a, feed_odds), *latent_covariance(va, vb, both))


def latent_covariance(wanted: Any, unwanted: Any, both: Any) -> tuple[Any, Any, Any]:
    """Variances of sharpness a - b and of balance a + b, and their covariance, in equal shapes.

    Args:
        wanted, unwanted: variances of a and of b.
        both: covariance of a and b.
    """
    return wanted + unwanted - 2.0 * both, wanted + unwanted + 2.0 * both, wanted - unwanted


def blocks_of_latent(covariance: Floats) -> Floats:
    """Covariance of S = P - Q, then C = P + Q, from that of P, then Q, shape (..., 2 n, 2 m)."""
    n, m = (length // 2 for length in covariance.shape[-2:])
    pp, pq = covariance[..., :n, :m], covariance[..., :n, m:]
    qp, qq = covariance[..., n:, :m], covariance[..., n:, m:]
    return np.block(
        [[pp - pq - qp + qq, pp + pq - qp - qq], [pp - pq + qp - qq, pp + pq + qp + qq]]
    )


def _possible(log_unwanted: Floats) -> Floats:
    return np.minimum(log_unwanted, np.log(MOST_UNWANTED))


def from_latent(S: Floats, C: Floats, feed_odds: Floats | float) -> tuple[Floats, Floats]:
    """Grade and recovery that follow from sharpness and balance, shapes kept."""
    log_w, log_u = log_expit(0.5 * (C + S)), log_expit(0.5 * (C - S))
    return expit(feed_odds + log_w - log_u), np.exp(log_w)


def logits_of(S: Floats, C: Floats, feed_odds: Floats | float) -> tuple[Floats, Floats]:
    """Logits of grade and recovery that follow from sharpness and balance, shapes kept."""
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    return feed_odds + log_expit(a) - log_expit(b), a


def logit_slopes(
    wanted: Floats | float, unwanted: Floats | float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Derivatives of logit grade, then of logit recovery, by sharpness and by balance.

    d logit grade = (1 - p_w) da - (1 - p_u) db and d logit recovery = da, with a, b = (C +- S)/2.

    Args:
        wanted, unwanted: shares p_w and p_u of the material that go to the product, equal shapes.
    """
    up, down = np.asarray(1.0 - wanted), np.asarray(1.0 - unwanted)
    half = np.full_like(up, 0.5)
    return (0.5 * (up + down), 0.5 * (up - down)), (half, half)


def chance_moments(
    s_variance: Floats, c_variance: Floats, cut: Floats | float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Spread of a = logit p_w and of b = logit p_u given a.

    For a normal sharpness S and a balance C = E C + cut (S - E S) + dC with an independent normal
    dC: a = E a + ((1 + cut) dS + dC)/2 and b = E b + ((cut - 1) dS + dC)/2.

    Args:
        s_variance: variance of S.
        c_variance: variance of dC.
        cut: slope of C on S. All three have shapes that broadcast.

    Returns:
        Standard deviation of a, slope of b on a, and standard deviation of b given a.
    """
    own = (1.0 + cut) ** 2 * s_variance + c_variance
    slope = ((cut**2 - 1.0) * s_variance + c_variance) / own
    return 0.5 * np.sqrt(own), slope, np.sqrt(s_variance * c_variance / own)


def unwanted_limit(a: Floats, min_grade: float | Floats, feed_odds: float) -> Floats:
    """The largest b = logit p_u at which the grade is still at least ``min_grade``.

    Args:
        a: logit of the recovery.
        min_grade: fraction; shapes broadcast.
        feed_odds: log odds of the feed grade.

    Returns:
        The limit; ``inf`` where the feed itself already meets the grade.
    """
    log_u = log_expit(a) + feed_odds - logit(min_grade)
    inside = np.minimum(log_u, -1e-300)
    return np.where(log_u >= 0.0, np.inf, inside - np.log(-np.expm1(inside)))


@dataclass(frozen=True)
class PairReadings:
    """Readings of the two processes of a description at n runs, with the covariance of their
    errors, each (n,).

    Args:
        first, second: readings.
        first_variance, second_variance: known variances of their errors.
        covariance: known covariance of their errors.
        doubt: what effects of time that were taken off add to the squares of the readings of each
            process and to their product, shape (3, n).
    """

    first: Floats
    second: Floats
    first_variance: Floats
    second_variance: Floats
    covariance: Floats
    doubt: Floats

    @classmethod
    def of(cls, latent: LatentReadings, apart: bool) -> PairReadings:
        """The readings of the processes, from readings of sharpness and balance."""
        S, C, s, c, both = (
            latent.sharpness,
            latent.balance,
            latent.sharpness_variance,
            latent.balance_variance,
            latent.covariance,
        )
        errors = np.array([s, c, both])
        doubt = np.zeros_like(errors)
        if latent.doubt is not None:
            doubt = np.array([latent.doubt[:, p, q] for p, q in ((0, 0), (1, 1), (0, 1))])
        if apart:
            S, C = 0.5 * (C + S), 0.5 * (C - S)
            errors, doubt = _of_shares(errors), _of_shares(doubt)
        return cls(S, C, errors[0], errors[1], errors[2], doubt)

    def scatter(self, groups: Groups) -> Floats:
        """Sums of squares of the readings of each process about the means of their set-points, and
        of their products, shape (3, u)."""
        first, second = self.first, self.second
        pairs = ((first, first), (second, second), (first, second))
        found = [
            groups.scatter(y, z) + groups.sum(d)
            for (y, z), d in zip(pairs, self.doubt, strict=True)
        ]
        return np.array(found)


def _of_shares(covariance: Floats) -> Floats:
    """Variances of the logits of the two shares, and their covariance, from those of sharpness and
    balance, shape (3, n)."""
    s, c, both = covariance
    return 0.25 * np.array([s + c + 2.0 * both, s + c - 2.0 * both, c - s])
