"""What the history does not cover.

The module finds ranges that were never tried and settings that moved together, and compares which
further sampling would help most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.evidence.line_model import LineModel
from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.coordinates import chance_moments
from optimizer.model.joint import Pair, PairMoments
from optimizer.numerics.cholesky import factorize, solve_lower
from optimizer.plant.profiles import profiles_of
from optimizer.plant.region import Region
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# An untried range is reported when it is at least this share of the range that the limits allow.
WIDE_GAP = 0.2
# Effects of settings whose variance inflation reaches this cannot be separated (common practice).
INFLATED = 10.0
# A pair of settings is also reported when its absolute correlation reaches this.
TOGETHER = 0.9
SINGULAR = 1e-9
# Settings count as known when the runs reduce the standard deviation by at least this share.
KNOWN_FROM = 0.5
POOL = 512
MORE_RUNS = 8
MORE_COUNTS = 4.0


@dataclass(frozen=True)
class Untried:
    """A range of a setting inside the limits in which nothing was tried.

    Attributes:
        setting, unit: name and unit of the setting.
        low, high: ends of the untried range, in the unit.
        share: the untried range as a share of the range that the limits allow.
    """

    setting: str
    unit: str
    low: float
    high: float
    share: float


@dataclass(frozen=True)
class Collinear:
    """A setting that the other settings nearly determine.

    Attributes:
        setting: name of the setting.
        other: name of the setting with which it is most correlated.
        correlation: correlation of the two.
        inflation: variance inflation factor: how many times larger the variance of the setting's
            effect is than if the setting had moved independently; None where the others determine
            it exactly.
    """

    setting: str
    other: str
    correlation: float
    inflation: float | None

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "setting": self.setting,
            "with": self.other,
            "correlation": self.correlation,
            "inflation": self.inflation,
        }


def untried_ranges(model: LineModel, region: Region) -> tuple[Untried, ...]:
    """The widest untried range of each setting inside the limits, the largest share first.

    Ranges narrower than ``WIDE_GAP`` are left out. Gates count by their level.
    """
    e, found = model.evidence, []
    profiles = profiles_of(e.space)
    ends_of = profiles.values(e.space.values(np.array([region.first, region.last])))
    settings = profiles.values(e.settings)
    for j, setting in enumerate(e.space.settings):
        low, high = map(float, ends_of[:, j])
        if profiles.degrees[j] or high <= low:
            continue
        tried = np.unique(settings[:, j])
        edges = np.concatenate([[low], tried[(tried > low) & (tried < high)], [high]])
        k = int(np.argmax(np.diff(edges)))
        share = float((edges[k + 1] - edges[k]) / (high - low))
        if share >= WIDE_GAP:
            ends = float(edges[k]), float(edges[k + 1])
            found.append(Untried(profiles.names[j], setting.unit, *ends, share))
    return tuple(sorted(found, key=lambda u: -u.share))


def collinear(model: LineModel) -> tuple[Collinear, ...]:
    """Settings that the other settings nearly determine.

    The variance inflation factor 1 / (1 - R^2), with R^2 of the regression of a setting on all
    others, says how many times larger the variance of the setting's effect is than if the setting
    had moved independently. Gates count as level, taper and bow.
    """
    e, profiles = model.evidence, profiles_of(model.evidence.space)
    settings = profiles.values(e.settings[e.measured])[:, profiles.told]
    names = [profiles.names[column] for column in profiles.told]
    moved = np.flatnonzero(np.std(settings, axis=0) > 1e-9)
    if len(moved) < 2 or len(settings) <= len(moved) + 1:
        return ()
    correlation = np.atleast_2d(np.corrcoef(settings[:, moved].T))
    # With exact dependence the correlation matrix is singular and its inverse has no meaning.
    exact = np.linalg.eigvalsh(correlation)[0] < SINGULAR
    inflation = np.diag(np.linalg.pinv(correlation, hermitian=True))
    found = []
    for a, j in enumerate(moved):
        others = np.abs(correlation[a]) * (np.arange(len(moved)) != a)
        b = int(np.argmax(others))
        if inflation[a] >= INFLATED or others[b] >= TOGETHER:
            found.append(
                Collinear(
                    setting=names[j],
                    other=names[moved[b]],
                    correlation=float(correlation[a, b]),
                    inflation=None if exact else float(inflation[a]),
                )
            )
    return tuple(found)


@dataclass(frozen=True)
class SamplingOption:
    """A kind of further sampling, and the half width of recovery's 90 % interval after it."""

    sampling: str
    half_width: float


@dataclass(frozen=True)
class Sampling:
    """How further sampling would narrow the interval of recovery inside the limits.

    Attributes:
        known_share: share of the settings inside the limits about which the runs are informative.
        now: half width of the 90 % interval of recovery, averaged over those limits, fraction.
        options: kinds of further sampling, the one that leaves the narrowest interval first.
    """

    known_share: float
    now: float
    options: tuple[SamplingOption, ...]


def plan_sampling(model: LineModel, region: Region) -> Sampling:
    """Compares more spread settings, more repeats and larger samples, from the posterior alone.

    The width of a Gaussian posterior does not depend on the values of future readings, only on
    their settings and their errors.
    """
    e, rng = model.evidence, np.random.default_rng(model.seed)
    pool = region.sample(POOL, rng)
    A = Inputs(e.inputs_today(pool))
    spread = Inputs(e.inputs_today(region.sample(MORE_RUNS, np.random.default_rng(model.seed + 1))))
    pair = model.surrogate.pairs_[0]
    data = pair.first.readings
    busiest = np.argsort(-data.counts, kind="stable")[:MORE_RUNS]
    repeats = Inputs(data.X[np.resize(busiest, MORE_RUNS)])
    moments, larger = pair.moments(A), pair.with_larger_samples(MORE_COUNTS)
    now = _of_recovery(pair, moments)
    prior = _of_recovery(pair, moments.unread())
    wider, again = (
        _of_recovery(pair, moments, _drawn(pair, moments, X)) for X in (spread, repeats)
    )
    # Larger samples of the same runs also move the means, and the cut with them, which alone is no
    # gain or loss of knowledge.
    finer = np.minimum(now, _of_recovery(larger, larger.moments(A)))
    S, C = moments.mean
    recovery = expit(0.5 * (S + C))
    slope = 1.645 * recovery * (1.0 - recovery)

    def half_width(variance: Floats) -> float:
        return float(np.mean(slope * np.sqrt(variance)))

    options = [
        SamplingOption(sentence("more_runs", runs=MORE_RUNS), half_width(wider)),
        SamplingOption(sentence("more_repeats", runs=MORE_RUNS), half_width(again)),
        SamplingOption(sentence("larger_samples", times=MORE_COUNTS), half_width(finer)),
    ]
    known = np.sqrt(np.clip(now, 0.0, None) / prior) <= 1.0 - KNOWN_FROM
    ordered = tuple(sorted(options, key=lambda o: o.half_width))
    return Sampling(float(np.mean(known)), half_width(now), ordered)


def _of_recovery(pair: Pair, moments: PairMoments, drawn: Floats | None = None) -> Floats:
    """Variance of the logit of the recovery, (S + C)/2, shape (n,); see ``Pair.variance``."""
    s, cut, own = pair.variance(moments, drawn)
    variance: Floats = chance_moments(s, own, cut)[0] ** 2
    return variance


def _drawn(pair: Pair, moments: PairMoments, X: Inputs) -> Floats:
    """Part of the posterior at n points that one more reading at each of m settings X explains,
    shape (2 m, 2 n)."""
    there = pair.moments(X)
    # A reading of S and C is one of S and C - cut S, whose error changes accordingly.
    cut, noise = there.cut, pair.typical_noise()
    whole = pair.covariance(there, there)
    m, i = len(cut), np.arange(len(cut))
    whole[i, i] += noise[0, 0]
    # The factor is made from the lower triangle alone.
    whole[m + i, i] += noise[0, 1] - cut * noise[0, 0]
    whole[m + i, m + i] += noise[1, 1] - 2.0 * cut * noise[0, 1] + cut**2 * noise[0, 0]
    return solve_lower(factorize(whole), pair.covariance(there, moments))
