"""Where the scatter of a reading comes from, and whether the surrogate accounts for it.

A reading scatters because of its sample (known: a count, an assay) and because the deck does not
repeat itself (estimated). Replicates tell the two from a surface that the surrogate cannot follow
(lack of fit).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import expit, fdtrc

from optimizer.evidence.line_model import LineModel
from optimizer.model.coordinates import from_latent

if TYPE_CHECKING:
    from optimizer.gaussian_process.process import GaussianProcess


# Fewer degrees of freedom on either side decide nothing.
FEWEST_DOF = 5


@dataclass(frozen=True)
class Noise:
    """Standard deviations of one reading at recent settings, as fractions.

    Attributes:
        sampling: by quantity, from the known errors; None where no run states one.
        process: by quantity, what the deck itself adds.
    """

    sampling: dict[str, float | None]
    process: dict[str, float]

    def as_dict(self) -> dict[str, Any]:
        """JSON form, with the share of the variance that sampling makes."""
        document: dict[str, Any] = {}
        for name, process in self.process.items():
            sampling = self.sampling[name]
            total = process**2 + (sampling or 0.0) ** 2
            document[name] = {
                "sampling_sd": sampling,
                "process_sd": process,
                "reading_sd": float(np.sqrt(total)),
                "sampling_share": None if sampling is None else sampling**2 / total,
            }
        return document


def split_noise(model: LineModel) -> Noise:
    """Sampling and process noise of one reading at the line's recent settings.

    To first order: d recovery = r (1 - r) da and d logit grade = (1 - p_w) da - (1 - p_u) db with
    a, b = (C +- S)/2; sharpness and balance scatter independently.
    """
    e = model.evidence
    S, C = model.surrogate.latent(model.recent_inputs).mean.mean(axis=0)[:, 0]
    grade, recovery = from_latent(S, C, e.feed_odds_today)
    unwanted = expit(0.5 * (C - S))
    s2, c2 = (gp.noise_variance() for gp in model.surrogate.processes)
    up, down = 1.0 - recovery, 1.0 - unwanted
    slope = {"recovery": recovery * (1.0 - recovery), "grade": grade * (1.0 - grade)}
    logit_variance = {
        "recovery": 0.25 * (s2 + c2),
        "grade": 0.25 * ((up + down) ** 2 * s2 + (up - down) ** 2 * c2),
    }
    known = {"grade": e.readings.grade_variance, "recovery": e.readings.recovery_variance}
    sampling: dict[str, float | None] = {}
    for name, variance in known.items():
        typical = float(np.median(variance[e.measured]))
        sampling[name] = float(slope[name] * np.sqrt(typical)) if typical > 0 else None
    process = {n: float(slope[n] * np.sqrt(logit_variance[n])) for n in ("grade", "recovery")}
    return Noise(sampling, process)


def lack_of_fit(model: LineModel) -> dict[str, dict[str, Any] | None]:
    """Whether set-points stray from the surface by more than replicates do from each other.

    The classical F test with the fitted surface as a linear smoother (Draper & Smith, Applied
    Regression Analysis, section 2.1, from memory): F = [sum a (mean - fit)^2 / w / (u - tr H)] /
    [sum scatter / w / sum (a - 1)], w the variance of one reading.

    Returns:
        By sharpness and balance: ``ratio`` (F), ``p_value`` and the degrees of freedom; None
        without enough replicates. A small p-value with replicates taken one right after another
        may mean that days differ rather than that the surface is wrong.
    """
    names = ("sharpness", "balance")
    pairs = zip(names, model.surrogate.processes, strict=True)
    return {name: _lack_of_fit(gp) for name, gp in pairs}


def _lack_of_fit(gp: GaussianProcess) -> dict[str, Any] | None:
    data, posterior = gp.readings_, gp.posteriors_[0]
    w, noise = posterior.noise_of_readings, posterior.noise_of_means
    root = solve_triangular(posterior.lower, np.eye(len(w)), lower=True)
    # y - H y = D K^-1 y with H = K (K + D)^-1, so u - tr H = tr(D (K + D)^-1).
    off = noise * posterior.weights
    dof = float(np.sum(noise * np.sum(root * root, axis=0)))
    pure_dof = float(np.sum(data.counts - 1.0))
    if dof < FEWEST_DOF or pure_dof < FEWEST_DOF:
        return None
    between = float(np.sum(off**2 / noise)) / dof
    within = float(np.sum(data.scatter / w)) / pure_dof
    if within <= 0.0:
        return None
    ratio = between / within
    return {
        "ratio": ratio,
        "p_value": float(fdtrc(dof, pure_dof, ratio)),
        "dof": dof,
        "replicate_dof": pure_dof,
    }
