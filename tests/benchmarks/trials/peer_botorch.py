"""BoTorch's constrained noisy log expected improvement, as its documentation sets it up.

One ``SingleTaskGP`` per outcome with the library's priors, outcomes standardized, inputs the unit
cube of the region; ``qLogNoisyExpectedImprovement`` on true recovery with the grade as outcome
constraint; ``optimize_acqf`` from many starts, then the nearest lattice point.
"""

from __future__ import annotations

import warnings

import numpy as np
import torch
from botorch.acquisition.logei import qLogNoisyExpectedImprovement
from botorch.acquisition.objective import GenericMCObjective
from botorch.fit import fit_gpytorch_mll
from botorch.models import ModelListGP, SingleTaskGP
from botorch.models.transforms import Standardize
from botorch.optim import optimize_acqf
from botorch.sampling import SobolQMCNormalSampler
from gpytorch.mlls import SumMarginalLogLikelihood
from scipy.special import logit
from torch.nn.functional import logsigmoid

from optimizer.model.coordinates import to_latent
from tests.benchmarks.trials.methods import CONFIDENCE, from_unit, padded, polished, to_unit
from tests.benchmarks.trials.task import Task

torch.set_num_threads(1)
DRAWS, STARTS, RAW = 128, 10, 256
# Posterior draws that estimate a chance of grade during the search for the model's optimum.
REPORT_DRAWS = 128


class _Outcomes:
    """Maps the modeled outcomes to recovery and to the shortfall of the grade."""

    def __init__(self, task: Task, latent: bool) -> None:
        self.latent = latent
        self.feed_odds = float(logit(task.problem.feed_grade))
        self.goal = float(logit(task.min_grade))
        grade, recovery = padded(task)
        self.readings = np.column_stack([recovery, grade])
        if latent:
            S, C, _, _ = to_latent(grade, recovery, 0.0, 0.0, self.feed_odds)
            self.readings = np.column_stack([S, C])

    def recovery(self, Z: torch.Tensor) -> torch.Tensor:
        """Recovery of outcomes, shape (..., 2) to (...)."""
        return torch.sigmoid(0.5 * (Z[..., 0] + Z[..., 1]) if self.latent else Z[..., 0])

    def short(self, Z: torch.Tensor) -> torch.Tensor:
        """Shortfall of logit grade, below 0 where the goal is met."""
        if not self.latent:
            return self.goal - Z[..., 1]
        wanted, unwanted = 0.5 * (Z[..., 1] + Z[..., 0]), 0.5 * (Z[..., 1] - Z[..., 0])
        return self.goal - (self.feed_odds + logsigmoid(wanted) - logsigmoid(unwanted))


def plan(task: Task, latent: bool) -> tuple[np.ndarray, np.ndarray]:
    """The optimum of the model and the next trial, each of shape (5,).

    Args:
        latent: whether the outcomes are sharpness and balance instead of grade and recovery.
    """
    torch.manual_seed(task.seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        outcomes = _Outcomes(task, latent)
        X = torch.tensor(to_unit(task.values), dtype=torch.double)
        model = _fit(X, torch.tensor(outcomes.readings, dtype=torch.double))
        trial = from_unit(_candidate(model, outcomes, X, task))[0]
        return _own_optimum(model, outcomes, task), trial


def _fit(X: torch.Tensor, Y: torch.Tensor) -> ModelListGP:
    parts = [SingleTaskGP(X, Y[:, j : j + 1], outcome_transform=Standardize(1)) for j in (0, 1)]
    model = ModelListGP(*parts)
    fit_gpytorch_mll(SumMarginalLogLikelihood(model.likelihood, model))
    return model


def value_candidates(task: Task, values: np.ndarray) -> np.ndarray:
    """Fit the model and compute the acquisition at settings, shape (n, 5); used for timing."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        outcomes = _Outcomes(task, latent=False)
        X = torch.tensor(to_unit(task.values), dtype=torch.double)
        model = _fit(X, torch.tensor(outcomes.readings, dtype=torch.double))
        acquisition = _acquisition(model, outcomes, X, task)
        with torch.no_grad():
            return acquisition(torch.tensor(to_unit(values)).unsqueeze(-2)).numpy()


def _acquisition(
    model: ModelListGP, outcomes: _Outcomes, X: torch.Tensor, task: Task
) -> qLogNoisyExpectedImprovement:
    return qLogNoisyExpectedImprovement(
        model,
        X_baseline=X,
        sampler=SobolQMCNormalSampler(torch.Size([DRAWS]), seed=task.seed),
        objective=GenericMCObjective(lambda Z, X=None: outcomes.recovery(Z)),
        constraints=[outcomes.short],
        prune_baseline=True,
    )


def _candidate(model: ModelListGP, outcomes: _Outcomes, X: torch.Tensor, task: Task) -> np.ndarray:
    acquisition = _acquisition(model, outcomes, X, task)
    box = torch.tensor([[0.0] * 5, [1.0] * 5], dtype=torch.double)
    found, _ = optimize_acqf(acquisition, box, q=1, num_restarts=STARTS, raw_samples=RAW)
    return found.detach().numpy()


def _own_optimum(model: ModelListGP, outcomes: _Outcomes, task: Task) -> np.ndarray:
    """Settings of the best mean recovery with enough chance of grade, otherwise the surest ones."""
    generator = torch.Generator().manual_seed(task.seed)
    normals = torch.randn(REPORT_DRAWS, 1, 2, dtype=torch.double, generator=generator)

    def score(values: np.ndarray) -> np.ndarray:
        with torch.no_grad():
            posterior = model.posterior(torch.tensor(to_unit(values)).unsqueeze(-2))
            Z = posterior.mean.squeeze(-2) + posterior.variance.sqrt().squeeze(-2) * normals
            chance = (outcomes.short(Z) <= 0.0).double().mean(0)
            recovery = outcomes.recovery(Z).mean(0)
        return torch.where(chance >= CONFIDENCE, 1.0 + recovery, chance).numpy()

    return polished(score, task)
