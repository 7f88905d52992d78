"""Where the scatter of a reading comes from, and whether the surrogate accounts for it.

A reading scatters because of its sample, with an error that is known from the count or assay, and
because the deck does not repeat itself, with an error that is estimated. Replicates distinguish
this scatter from a surface that the surrogate cannot follow (lack of fit).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, fdtrc

from optimizer.evidence.line_model import LineModel
from optimizer.model.coordinates import from_latent, logit_slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# With fewer degrees of freedom than this on either side, the test is not made.
FEWEST_DOF = 5


@dataclass(frozen=True)
class ReadingNoise:
    """Standard deviations of one reading of one quantity, as fractions.

    Attributes:
        sampling_sd: from the known sampling errors; None when no run states one.
        process_sd: from the deck itself.
    """

    sampling_sd: float | None
    process_sd: float

    @property
    def _variance(self) -> float:
        return self.process_sd**2 + (self.sampling_sd or 0.0) ** 2

    @property
    def reading_sd(self) -> float:
        """Standard deviation of a reading from sampling and process noise together."""
        return float(np.sqrt(self._variance))

    @property
    def sampling_share(self) -> float | None:
        """Share of a reading's variance that comes from sampling; None when it is not known."""
        return None if self.sampling_sd is None else self.sampling_sd**2 / self._variance

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "sampling_sd": self.sampling_sd,
            "process_sd": self.process_sd,
            "reading_sd": self.reading_sd,
            "sampling_share": self.sampling_share,
        }


@dataclass(frozen=True)
class Noise:
    """Noise of one reading at recent settings."""

    grade: ReadingNoise
    recovery: ReadingNoise

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {"grade": self.grade.as_dict(), "recovery": self.recovery.as_dict()}


@dataclass(frozen=True)
class FTest:
    """F test of whether set-points stray from the surface more than replicates scatter.

    Attributes:
        ratio: F, the variance about the surface over the variance of replicates.
        p_value: probability of a ratio at least as large by chance.
        dof, replicate_dof: degrees of freedom of the two variances.
    """

    ratio: float
    p_value: float
    dof: float
    replicate_dof: float


@dataclass(frozen=True)
class LackOfFit:
    """The lack-of-fit tests of sharpness and of balance; None without enough replicates."""

    sharpness: FTest | None
    balance: FTest | None


def split_noise(model: LineModel) -> Noise:
    """Sampling and process noise of one reading at the line's recent settings.

    The process noise of sharpness and balance and its covariance are carried to grade and recovery
    to first order (``logit_slopes``).
    """
    e = model.evidence
    S, C = model.surrogate.latent(model.recent_inputs).mean.mean(axis=0)[:, 0]
    grade, recovery = from_latent(S, C, e.feed_odds_today)
    noise = model.surrogate.noise_covariance()
    of_grade, of_recovery = map(np.array, logit_slopes(recovery, expit(0.5 * (C - S))))
    slope = {"recovery": recovery * (1.0 - recovery), "grade": grade * (1.0 - grade)}
    logit_variance = {
        "recovery": of_recovery @ noise @ of_recovery,
        "grade": of_grade @ noise @ of_grade,
    }
    known = {"grade": e.readings.grade_variance, "recovery": e.readings.recovery_variance}

    def noise_of(name: str) -> ReadingNoise:
        typical = float(np.median(known[name][e.measured]))
        sampling = float(slope[name] * np.sqrt(typical)) if typical > 0 else None
        return ReadingNoise(sampling, float(slope[name] * np.sqrt(logit_variance[name])))

    return Noise(noise_of("grade"), noise_of("recovery"))


def lack_of_fit(model: LineModel) -> LackOfFit:
    """Tests whether set-points stray from the surface more than replicates stray from each other.

    This is the classical F test with the fitted surface as a linear smoother (Draper & Smith,
    Applied Regression Analysis, section 2.1, from memory):

        F = [sum (mean - fit)^2 / v / f] / [sum scatter / w / sum (a - 1)],

    with a the number of readings at each of the u set-points, w the variance of one reading of
    sharpness or of balance, v = w / a, scatter the sum of squares about the mean at each set-point,
    and f the expected sum of squares of a surface that fits: the residual at a set-point then has
    the variance v less the posterior variance there. A set-point counts by the weights of its
    runs, at most as one.

    When replicates were taken one right after another, a small p-value may mean that days differ
    rather than that the surface is wrong.
    """
    pair = model.surrogate.pairs_[0]
    prior, found, counts = pair.joint_prior(), pair.moments(pair.first.points), pair.counts
    s, slope, own = pair.variance(found)
    posterior, scatter = (s, own + slope**2 * s), pair.scatter
    tests = []
    for k, read in enumerate(prior.read.reshape(2, -1)):
        v = prior.noise[:, k, k]
        tests.append(
            _f_test(
                (read - found.mean[k]) ** 2 / v,
                1.0 - posterior[k] / v,
                scatter[:, k, k] / (counts * v),
                counts,
            )
        )
    return LackOfFit(*tests)


def _f_test(off: Floats, expected: Floats, scatter: Floats, counts: Floats) -> FTest | None:
    """The F test of one quantity at u set-points, each argument (u,).

    Args:
        off: squared residuals of the mean readings, over their variances.
        expected: expected values of these where the surface fits.
        scatter: sums of squares about the mean readings, over the variance of one reading.
        counts: sums of the weights of the runs.
    """
    counted = np.minimum(counts, 1.0)
    dof, pure_dof = float(counted @ expected), float(np.sum(counts - counted))
    if dof < FEWEST_DOF or pure_dof < FEWEST_DOF:
        return None
    between, within = float(counted @ off) / dof, float(np.sum(scatter)) / pure_dof
    if within <= 0.0:
        return None
    ratio = between / within
    return FTest(ratio, float(fdtrc(dof, pure_dof, ratio)), dof, pure_dof)
