"""BoTorch's constrained noisy log expected improvement, as its documentation sets it up.

One ``SingleTaskGP`` per outcome with the library's priors, outcomes standardized, inputs the unit
cube of the region; ``qLogNoisyExpectedImprovement`` on true recovery with the grade as outcome
constraint; ``optimize_acqf`` from many starts, then the nearest lattice point.

A peer may be given, one by one, what our own method has (``Given``): the known noise of each
reading, the feed grade through sharpness and balance, our coupled coordinates of the settings, and
a scatter from run to run that is estimated besides the known noise. The feed is the same in all
runs of a campaign, so that as an input of its own it would say nothing. No peer gets our prior
slopes and levels, our fit of the variances to expected readings, or our chance of an even deck: a
failed run is the worst reading so far.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch
from botorch.acquisition.logei import qLogNoisyExpectedImprovement
from botorch.acquisition.objective import GenericMCObjective
from botorch.fit import fit_gpytorch_mll
from botorch.models import ModelListGP, SingleTaskGP
from botorch.models.transforms import Standardize
from botorch.models.transforms.input import InputTransform
from botorch.optim import optimize_acqf
from botorch.sampling import SobolQMCNormalSampler
from gpytorch.likelihoods import FixedNoiseGaussianLikelihood
from gpytorch.mlls import SumMarginalLogLikelihood
from scipy.special import logit
from torch.nn.functional import logsigmoid

from optimizer.measurement.run_readings import RunReadings
from optimizer.model.coordinates import latent_of
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.decks import REGION
from tests.benchmarks.trials.methods import CONFIDENCE, from_unit, padded, polished, to_unit
from tests.benchmarks.trials.task import Task

torch.set_num_threads(1)
DRAWS, STARTS, RAW = 128, 10, 256
# Posterior draws that estimate a chance of grade during the search for the model's optimum.
REPORT_DRAWS = 128


STEP = 1e-5
"""Step in unit coordinates of the numerical derivatives of our coordinates."""


@dataclass(frozen=True)
class Given:
    """What a peer is given of what our own method has.

    Attributes:
        latent: outcomes are sharpness and balance, computed with the feed grade.
        noise: the variance of each reading, from its count or its weighing.
        scatter: a scatter from run to run is estimated besides that variance.
        coupled: inputs are our coupled coordinates of the settings.
    """

    latent: bool = False
    noise: bool = False
    scatter: bool = False
    coupled: bool = False


class _Outcomes:
    """Maps the modeled outcomes to recovery and to the shortfall of the grade."""

    def __init__(self, task: Task, given: Given) -> None:
        self.latent = given.latent
        self.feed_odds = float(logit(task.problem.feed_grade))
        self.goal = float(logit(task.min_grade))
        grade, recovery = padded(task)
        grade_variance = recovery_variance = np.zeros_like(grade)
        if given.noise:
            grade, recovery, grade_variance, recovery_variance = known(task)
        self.readings = np.column_stack([recovery, grade])
        variances = np.column_stack([recovery_variance, grade_variance])
        if given.latent:
            read = RunReadings.from_logits(grade, recovery, grade_variance, recovery_variance)
            latent = latent_of(read, self.feed_odds)
            S, C = latent.sharpness, latent.balance
            s_variance, c_variance = latent.sharpness_variance, latent.balance_variance
            self.readings = np.column_stack([S, C])
            variances = np.column_stack([s_variance, c_variance])
        self.variances = variances if given.noise else None

    def recovery(self, Z: torch.Tensor) -> torch.Tensor:
        """Recovery of outcomes, shape (..., 2) to (...)."""
        return torch.sigmoid(0.5 * (Z[..., 0] + Z[..., 1]) if self.latent else Z[..., 0])

    def short(self, Z: torch.Tensor) -> torch.Tensor:
        """Shortfall of logit grade, below 0 where the goal is met."""
        if not self.latent:
            return self.goal - Z[..., 1]
        wanted, unwanted = 0.5 * (Z[..., 1] + Z[..., 0]), 0.5 * (Z[..., 1] - Z[..., 0])
        return self.goal - (self.feed_odds + logsigmoid(wanted) - logsigmoid(unwanted))


def known(task: Task) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Logits of grade and recovery and their known variances, as our own method gets them; (n,).

    A failed run gets the worst reading so far with the variance of that reading. Without any
    reading all logits are 0 and all variances 1.
    """
    read = RunReadings.from_shares(
        task.grade, task.recovery, recovery_se=task.recovery_se, grade_count=task.grade_count
    )
    if not task.even.any():
        n = len(task.values)
        return np.zeros(n), np.zeros(n), np.ones(n), np.ones(n)
    found = []
    for q, variance in (
        (read.grade_logit, read.grade_variance),
        (read.recovery_logit, read.recovery_variance),
    ):
        worst = np.nanargmin(np.where(task.even, q, np.nan))
        found.append([np.where(task.even, v, v[worst]) for v in (q, variance)])
    (grade, grade_variance), (recovery, recovery_variance) = found
    return grade, recovery, grade_variance, recovery_variance


@lru_cache(maxsize=1)
def _ranges() -> tuple[np.ndarray, np.ndarray]:
    """Least and most of each coupled coordinate over the region, which its corners have; (5,)."""
    corners = coupled(np.array(list(np.ndindex(2, 2, 2, 2, 2)), dtype=float), scaled=False)
    return corners.min(axis=0), corners.max(axis=0)


def coupled(unit: np.ndarray, scaled: bool = True) -> np.ndarray:
    """Our coupled coordinates of points of the region's unit cube, shape (n, 5).

    Scaled, they fill the unit cube, as the priors of the library expect of inputs.
    """
    ends = GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(np.array([REGION.first, REGION.last])))
    coordinates = deck_coordinates_of(GRAVITY_TABLE)
    assert coordinates is not None
    found = coordinates(ends[0] + unit * (ends[1] - ends[0]))
    if not scaled:
        return found
    low, high = _ranges()
    return (found - low) / (high - low)


class _Map(torch.autograd.Function):
    """``coupled`` with its derivatives by differences, so that it is always our own code's map."""

    @staticmethod
    def forward(ctx: torch.autograd.function.FunctionCtx, X: torch.Tensor) -> torch.Tensor:
        ctx.save_for_backward(X)
        return torch.tensor(coupled(X.detach().numpy().reshape(-1, 5))).reshape(X.shape)

    @staticmethod
    def backward(ctx: torch.autograd.function.FunctionCtx, along: torch.Tensor) -> torch.Tensor:
        (X,) = ctx.saved_tensors
        flat = X.detach().numpy().reshape(-1, 5)
        moves = STEP * np.eye(5)
        slopes = np.stack([coupled(flat + m) - coupled(flat - m) for m in moves], axis=1)
        slopes = torch.tensor(slopes / (2.0 * STEP))
        return torch.einsum("njk,nk->nj", slopes, along.reshape(-1, 5)).reshape(X.shape)


class _Coupled(InputTransform):
    """Our coupled coordinates as a transform of a model's inputs."""

    transform_on_train = transform_on_eval = transform_on_fantasize = True

    def transform(self, X: torch.Tensor) -> torch.Tensor:
        """Points of the region's unit cube as coupled coordinates, shape kept."""
        return _Map.apply(X)


def plan(task: Task, given: Given) -> tuple[np.ndarray, np.ndarray]:
    """The optimum of the model and the next trial, each of shape (5,)."""
    torch.manual_seed(task.seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        outcomes = _Outcomes(task, given)
        X = torch.tensor(to_unit(task.values), dtype=torch.double)
        model = _fit(X, outcomes, given)
        trial = from_unit(_candidate(model, outcomes, X, task))[0]
        return _own_optimum(model, outcomes, task), trial


def _fit(X: torch.Tensor, outcomes: _Outcomes, given: Given) -> ModelListGP:
    model = ModelListGP(*(_process(X, outcomes, given, j) for j in (0, 1)))
    fit_gpytorch_mll(SumMarginalLogLikelihood(model.likelihood, model))
    return model


def _process(X: torch.Tensor, outcomes: _Outcomes, given: Given, j: int) -> SingleTaskGP:
    Y = torch.tensor(outcomes.readings[:, j : j + 1], dtype=torch.double)
    more: dict[str, object] = {"input_transform": _Coupled()} if given.coupled else {}
    if outcomes.variances is not None:
        variance = torch.tensor(outcomes.variances[:, j : j + 1], dtype=torch.double)
        if given.scatter:
            # The library scales ``train_Yvar`` with the outcomes, but not a likelihood's noise.
            more["likelihood"] = FixedNoiseGaussianLikelihood(
                (variance / Y.var()).squeeze(-1), learn_additional_noise=True
            )
        else:
            more["train_Yvar"] = variance
    return SingleTaskGP(X, Y, outcome_transform=Standardize(1), **more)


def value_candidates(task: Task, values: np.ndarray) -> np.ndarray:
    """Fit the model and compute the acquisition at settings, shape (n, 5); used for timing."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        outcomes = _Outcomes(task, Given())
        X = torch.tensor(to_unit(task.values), dtype=torch.double)
        model = _fit(X, outcomes, Given())
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
