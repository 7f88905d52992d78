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
from optimizer.gaussian_process.solvers import Posterior
from optimizer.model.deck_prior import cut_of
from optimizer.numerics.cholesky import factorize
from optimizer.plant.region import Region

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

    Ranges narrower than ``WIDE_GAP`` are left out.
    """
    e, found = model.evidence, []
    for j, setting in enumerate(e.space.settings):
        low, high = (float(setting.values(np.array(k[j]))) for k in (region.first, region.last))
        if high <= low:
            continue
        tried = np.unique(e.settings[:, j])
        edges = np.concatenate([[low], tried[(tried > low) & (tried < high)], [high]])
        k = int(np.argmax(np.diff(edges)))
        share = float((edges[k + 1] - edges[k]) / (high - low))
        if share >= WIDE_GAP:
            ends = float(edges[k]), float(edges[k + 1])
            found.append(Untried(setting.name, setting.unit, *ends, share))
    return tuple(sorted(found, key=lambda u: -u.share))


def collinear(model: LineModel) -> tuple[Collinear, ...]:
    """Settings that the other settings nearly determine.

    The variance inflation factor 1 / (1 - R^2), with R^2 of the regression of a setting on all
    others, says how many times larger the variance of the setting's effect is than if the setting
    had moved independently.
    """
    e = model.evidence
    settings = e.settings[e.measured]
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
                    setting=e.space.names[j],
                    other=e.space.names[moved[b]],
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
    sharpness, balance = model.surrogate.processes
    points = sharpness.readings_
    busiest = np.argsort(-points.counts, kind="stable")[:MORE_RUNS]
    repeats = Inputs(points.X[np.resize(busiest, MORE_RUNS)])
    S, C = model.surrogate.latent(A, coarse=True).mean.mean(axis=0)
    # Weights of the variances of the sharpness and of the balance's independent part in the
    # variance of logit recovery, (S + C)/2.
    cut = cut_of(balance.kernel, S, C)
    shares = 0.25 * (1.0 + cut) ** 2, np.full(len(A), 0.25)
    prior = now = wider = again = finer = np.zeros(len(A))
    for gp, share in zip(model.surrogate.processes, shares, strict=True):
        posterior, scale = gp.posteriors_[0], share * gp.readings_.spread**2
        variance, V = posterior.variance(A), posterior.project(A)[1]
        left = variance - np.sum(V * V, axis=0)
        prior = prior + scale * variance
        now = now + scale * left
        wider = wider + scale * (left - _taken(posterior, A, V, spread))
        again = again + scale * (left - _taken(posterior, A, V, repeats))
        finer = finer + scale * (variance - _explained(posterior, A, MORE_COUNTS))
    recovery = expit(0.5 * (S + C))
    slope = 1.645 * recovery * (1.0 - recovery)

    def half_width(variance: Floats) -> float:
        return float(np.mean(slope * np.sqrt(np.clip(variance, 0.0, None))))

    options = [
        SamplingOption(f"{MORE_RUNS} more runs spread over the limits", half_width(wider)),
        SamplingOption(f"{MORE_RUNS} more repeats at the settings run most", half_width(again)),
        SamplingOption(
            f"samples {MORE_COUNTS:g} times as large in every run so far", half_width(finer)
        ),
    ]
    known = np.sqrt(np.clip(now, 0.0, None) / prior) <= 1.0 - KNOWN_FROM
    ordered = tuple(sorted(options, key=lambda o: o.half_width))
    return Sampling(float(np.mean(known)), half_width(now), ordered)


def _taken(posterior: Posterior, A: Inputs, V: Floats, X: Inputs) -> Floats:
    """Reduction of the posterior variance at A by readings at X, shape (n,).

    Args:
        posterior: the posterior before those readings.
        A: n points.
        V: projection of A on the readings so far.
        X: settings of the further readings.
    """
    _, U = posterior.project(X)
    cross = posterior.covariance(X, A) - U.T @ V
    known = float(np.median(posterior.readings.known_variance))
    noise = known + posterior.hyperparameters.noise
    lower = factorize(posterior.covariance(X, X) - U.T @ U + noise * np.eye(len(X)))
    return np.asarray(np.sum(np.linalg.solve(lower, cross) ** 2, axis=0))


def _explained(posterior: Posterior, A: Inputs, times: float) -> Floats:
    """Prior variance at A that the runs would explain if their samples were ``times`` as large."""
    data = posterior.readings
    w = data.known_variance / times + posterior.hyperparameters.noise
    lower = factorize(posterior.covariance(data.inputs, data.inputs) + np.diag(w / data.counts))
    cross = posterior.covariance(data.inputs, A)
    return np.asarray(np.sum(np.linalg.solve(lower, cross) ** 2, axis=0))
