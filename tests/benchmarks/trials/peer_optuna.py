"""Optuna's GPSampler on lattice indices: recovery to maximize, grade as a constraint."""

from __future__ import annotations

import warnings

import numpy as np
import optuna
from optuna.distributions import IntDistribution
from scipy.special import expit, logit

from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.methods import FIRST, LAST, padded
from tests.benchmarks.trials.task import NAMES, Task

optuna.logging.set_verbosity(optuna.logging.ERROR)
SPACE = {n: IntDistribution(int(a), int(b)) for n, a, b in zip(NAMES, FIRST, LAST, strict=True)}


def next_trial(task: Task) -> np.ndarray:
    """Settings to try next, shape (5,).

    The constraint is the shortfall of logit grade, at most 0 where it is met; ``set_constraint``
    and ``create_trial(constraints=...)`` take the place of ``constraints_func``, which 5.0 calls
    deprecated. The library ignores failed trials, so failed runs are padded.
    """
    grade, recovery = padded(task)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sampler = optuna.samplers.GPSampler(seed=task.seed, n_startup_trials=1)
        study = optuna.create_study(direction="maximize", sampler=sampler)
        for index, g, r in zip(
            GRAVITY_TABLE.nearest_index(task.values), grade, expit(recovery), strict=True
        ):
            study.add_trial(
                optuna.trial.create_trial(
                    params=dict(zip(NAMES, map(int, index), strict=True)),
                    distributions=SPACE,
                    value=float(r),
                    constraints={"grade": float(logit(task.min_grade) - g)},
                )
            )
        asked = study.ask(SPACE)
    point = np.array([[asked.params[n] for n in NAMES]])
    return GRAVITY_TABLE.values(point)[0]
