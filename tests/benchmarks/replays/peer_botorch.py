"""BoTorch's constrained noisy log expected improvement, as its documentation sets it up.

Like the peer in ``tests.benchmarks.trials``: one ``SingleTaskGP`` per outcome with the library's
priors, outcomes standardized, inputs the unit cube; ``qLogNoisyExpectedImprovement`` of ``y`` with
``c`` as outcome constraint; ``optimize_acqf`` from many starts, then the nearest lattice point.
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

from tests.benchmarks.replays.experiments import Experiment
from tests.benchmarks.replays.methods import lattice, polished
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.methods import CONFIDENCE

torch.set_num_threads(1)
DRAWS, STARTS, RAW = 128, 10, 256


class _Fitted:
    """Models of a task's readings, with the objective and the constraint."""

    def __init__(self, task: Task) -> None:
        self.space, self.constrained = task.problem.space, task.problem.constrained
        self.X = self.unit(task.values)
        readings = torch.tensor(np.column_stack(task.padded()), dtype=torch.double)
        columns = (0, 1) if self.constrained else (0,)
        self.model = ModelListGP(
            *(
                SingleTaskGP(self.X, readings[:, j : j + 1], outcome_transform=Standardize(1))
                for j in columns
            )
        )
        fit_gpytorch_mll(SumMarginalLogLikelihood(self.model.likelihood, self.model))
        self.acquisition = qLogNoisyExpectedImprovement(
            self.model,
            X_baseline=self.X,
            sampler=SobolQMCNormalSampler(torch.Size([DRAWS]), seed=task.seed),
            objective=GenericMCObjective(lambda Z, X=None: Z[..., 0]),
            constraints=[lambda Z: Z[..., 1]] if self.constrained else None,
            prune_baseline=True,
        )

    def unit(self, values: np.ndarray) -> torch.Tensor:
        return torch.tensor(self.space.to_unit(values), dtype=torch.double)

    def score(self, values: np.ndarray) -> np.ndarray:
        """Mean ``y`` where the chance of the constraint is enough, else that chance, far below."""
        with torch.no_grad():
            posterior = self.model.posterior(self.unit(values).unsqueeze(-2))
            mean, sd = posterior.mean.squeeze(-2), posterior.variance.sqrt().squeeze(-2)
        if not self.constrained:
            return mean[:, 0].numpy()
        chance = torch.special.ndtr(-mean[:, 1] / sd[:, 1])
        return torch.where(chance >= CONFIDENCE, mean[:, 0], -1e12 * (2.0 - chance)).numpy()


def plan(task: Task) -> tuple[np.ndarray, np.ndarray]:
    """The model's own optimum and the next trial, each of shape (d,)."""
    torch.manual_seed(task.seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = _Fitted(task)
        d = len(task.problem.space.names)
        cube = torch.tensor([[0.0] * d, [1.0] * d], dtype=torch.double)
        found, _ = optimize_acqf(
            fitted.acquisition, cube, q=1, num_restarts=STARTS, raw_samples=RAW
        )
        trial = lattice(task.problem, found.detach().numpy())[0]
        return polished(fitted.score, task), trial


def plan_listed(task: Task) -> tuple[np.ndarray, np.ndarray]:
    """The best row of a table by the model, and the best untried row, each of shape (d,)."""
    torch.manual_seed(task.seed)
    table = task.problem
    assert isinstance(table, Experiment)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = _Fitted(task)
        left = table.settings[table.untried(task.values)]
        with torch.no_grad():
            worth = fitted.acquisition(fitted.unit(left).unsqueeze(-2)).numpy()
        return table.settings[np.argmax(fitted.score(table.settings))], left[np.argmax(worth)]
