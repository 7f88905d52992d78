"""The planning methods: ours, the peers, random search and a response surface.

A method takes a task and returns the next trial and one or more reports, which are settings that it
would run production at now. Peers that cannot represent failed runs get them by the floor padding
of Wakabayashi et al. (2022), npj Comput. Mater. 8 (s41524-022-00859-8): the worst values read so
far replace the missing ones. All libraries use their documented defaults.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import logit

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.decks import REGION
from tests.benchmarks.trials.task import STARTS, Task, settings_of

FIRST, LAST = np.array(REGION.first), np.array(REGION.last)
# Candidates in the search for a model's optimum, before the neighbors of the best are searched.
POOL = 4096
# Chance of grade that a reported optimum must have; equal to our default.
CONFIDENCE = 0.9


@dataclass(frozen=True)
class Choice:
    """The answer of a method.

    Attributes:
        reports: settings to run now, shape (5,) or None, by the name of the report.
        trial: settings to try next, shape (5,).
    """

    reports: dict[str, np.ndarray | None]
    trial: np.ndarray


Method = Callable[[Task], Choice]


def to_unit(values: np.ndarray) -> np.ndarray:
    """Settings, shape (n, 5), in coordinates where the region is the unit cube."""
    return (GRAVITY_TABLE.nearest_index(values) - FIRST) / (LAST - FIRST)


def from_unit(unit: np.ndarray) -> np.ndarray:
    """Lattice settings nearest to points of the unit cube, shape (n, 5)."""
    index = np.rint(FIRST + np.clip(np.atleast_2d(unit), 0, 1) * (LAST - FIRST))
    return GRAVITY_TABLE.values(index.astype(np.int64))


def padded(task: Task) -> tuple[np.ndarray, np.ndarray]:
    """Grade and recovery on the logit scale; failed runs get the worst reading; each (n,).

    A count of all or none is corrected by half a particle. Without any reading all values are 0.
    """
    n = task.grade_count
    grade = logit((task.grade * n + 0.5) / (n + 1.0))
    recovery = logit(np.clip(task.recovery, 0.001, 0.999))
    if not task.even.any():
        return np.zeros_like(grade), np.zeros_like(grade)
    return tuple(np.where(task.even, q, np.nanmin(q)) for q in (grade, recovery))  # type: ignore[return-value]


def polished(score: Callable[[np.ndarray], np.ndarray], task: Task) -> np.ndarray:
    """Settings of the highest score, shape (5,): a pool and tried settings, then neighbors."""
    pool = REGION.sample(POOL, np.random.default_rng((task.seed, 3)))
    pool = np.vstack([pool, GRAVITY_TABLE.nearest_index(task.values)])
    values = score(GRAVITY_TABLE.values(pool))
    at = int(np.argmax(values))
    point, value = pool[at], values[at]
    for _ in range(60):
        near = REGION.neighbors(point)
        values = score(GRAVITY_TABLE.values(near))
        if values.max() <= value:
            break
        point, value = near[np.argmax(values)], values.max()
    return GRAVITY_TABLE.values(point[None, :])[0]


def ours(task: Task) -> Choice:
    """This project's plan of one trial; reports its run-now settings, tried or not."""
    plan = suggest(Snapshot.of_table(task.table()), brief=task.brief(), seed=task.seed)
    now = None if plan.run_now is None else settings_of(plan.run_now.settings)
    return Choice({"ours": now}, settings_of(plan.recommendations[0].settings))


def by_chance(task: Task) -> Choice:
    """Random settings as the next trial; reports the best reading."""
    rng = np.random.default_rng((task.seed, 4, len(task.values)))
    trial = GRAVITY_TABLE.values(REGION.sample(1, rng))[0]
    return Choice({"random": task.best_reading()}, trial)


def response_surface(task: Task) -> Choice:
    """A central composite design around the middle of the region, and its second-order surface.

    The design is the half fraction of the 2^5 factorial (the fifth sign is the product of the
    others) at half the range, then points on the axes at the ends of the range; each part is in
    random order. Grade and recovery on the logit scale are second-order polynomials fitted by
    ridge regression; the report is the highest predicted recovery with the grade met.
    """
    rng = np.random.default_rng((task.seed, 5))
    signs = 1.0 - 2.0 * np.array(list(np.ndindex(2, 2, 2, 2)))
    corners = np.column_stack([signs, signs.prod(axis=1)])
    axes = np.vstack([np.eye(5), -np.eye(5)])
    design = np.vstack([0.5 + 0.25 * rng.permutation(corners), 0.5 + 0.5 * rng.permutation(axes)])
    trial = from_unit(design[(len(task.values) - STARTS) % len(design)])[0]
    if task.even.sum() < 6:
        return Choice({"surface": task.best_reading()}, trial)

    def terms(values: np.ndarray) -> np.ndarray:
        z = 2.0 * to_unit(values) - 1.0
        pairs = [z[:, i] * z[:, j] for i, j in combinations(range(5), 2)]
        return np.column_stack([np.ones(len(z)), z, *pairs, z**2])

    A = terms(task.values)
    penalty = np.diag([0.0] + [0.1] * 5 + [1.0] * 15)
    readings = np.column_stack(padded(task))
    weights = np.linalg.solve(A.T @ A + penalty, A.T @ readings)

    def score(values: np.ndarray) -> np.ndarray:
        grade, recovery = (terms(values) @ weights).T
        short = logit(task.min_grade) - grade
        return np.where(short <= 0.0, recovery, -1e3 - short)

    return Choice({"surface": polished(score, task)}, trial)


def scikit_optimize(task: Task) -> Choice:
    """scikit-optimize's expected improvement of a penalized loss; reports the best reading."""
    from skopt import Optimizer

    optimizer = Optimizer(
        [(int(a), int(b)) for a, b in zip(FIRST, LAST, strict=True)],
        acq_func="EI",
        n_initial_points=0,
        random_state=task.seed,
    )
    short = np.maximum(task.min_grade - np.nan_to_num(task.grade), 0.0)
    loss = -np.nan_to_num(task.recovery) + 20.0 * short
    index = GRAVITY_TABLE.nearest_index(task.values)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        optimizer.tell(index.tolist(), np.minimum(loss, 1.0).tolist())
        point = np.array([optimizer.ask()])
    return Choice({"skopt": task.best_reading()}, GRAVITY_TABLE.values(point)[0])


def optuna_gp(task: Task) -> Choice:
    """Optuna's Gaussian-process sampler with a constraint; reports the best reading."""
    from tests.benchmarks.trials.peer_optuna import next_trial

    return Choice({"optuna": task.best_reading()}, next_trial(task))


def botorch(label: str, tried: bool = False, **given: bool) -> Method:
    """BoTorch's constrained noisy log-EI, which reports its model's optimum.

    Args:
        label: name of the report.
        tried: whether the best reading is a report, too, named ``label`` and *tried*.
        given: what it is given of what our own method has (``peer_botorch.Given``).
    """

    def method(task: Task) -> Choice:
        from tests.benchmarks.trials.peer_botorch import Given, plan

        optimum, trial = plan(task, Given(**given))
        reports = {f"{label} tried": task.best_reading()} if tried else {}
        return Choice({**reports, label: optimum}, trial)

    return method


METHODS: dict[str, Method] = {
    "ours": ours,
    "random": by_chance,
    "surface": response_surface,
    "skopt": scikit_optimize,
    "optuna": optuna_gp,
    "botorch": botorch("botorch", tried=True),
    "botorch-sc": botorch("botorch S, C", latent=True),
    "botorch-noise": botorch("botorch N", noise=True),
    "botorch-noise-coupled": botorch("botorch N, K", noise=True, coupled=True),
    "botorch-noise-sc-coupled": botorch(
        "botorch N, K, S, C", noise=True, coupled=True, latent=True
    ),
    "botorch-all": botorch(
        "botorch N+, K, S, C", noise=True, scatter=True, coupled=True, latent=True
    ),
}
"""Of BoTorch's reports, *S, C* has sharpness and balance as outcomes, *N* the known noise of each
reading, *N+* a scatter from run to run besides it, and *K* our coupled coordinates."""
LIGHT = ("ours", "random", "surface", "skopt")
"""Those that need no more than the install."""
