"""Optuna's GPSampler on lattice indices: ``y`` to maximize, ``c`` as a constraint."""

from __future__ import annotations

import warnings

import numpy as np
import optuna
from optuna.distributions import IntDistribution

from tests.benchmarks.replays.task import Task

optuna.logging.set_verbosity(optuna.logging.ERROR)


def next_trial(task: Task) -> np.ndarray:
    """Settings to try next, shape (d,).

    The library ignores failed trials, so failed runs are padded.
    """
    settings = task.problem.space.settings
    space = {s.name: IntDistribution(0, s.top) for s in settings}
    constrained = task.problem.constrained
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sampler = optuna.samplers.GPSampler(seed=task.seed, n_startup_trials=1)
        study = optuna.create_study(direction="maximize", sampler=sampler)
        for index, y, c in zip(
            task.problem.space.nearest_index(task.values), *task.padded(), strict=True
        ):
            study.add_trial(
                optuna.trial.create_trial(
                    params=dict(zip(space, map(int, index), strict=True)),
                    distributions=space,
                    value=float(y),
                    **({"constraints": {"c": float(c)}} if constrained else {}),
                )
            )
        asked = study.ask(space)
    point = np.array([[asked.params[n] for n in space]])
    return task.problem.space.values(point)[0]
