"""The planning methods: ours, the peers and simple baselines.

A method takes a task and returns the next trial and one or more reports, which are settings that it
would run production at now. Methods name settings of the lattice; the problem maps them to settings
that it has in one way for all methods (``Problem.trial``, ``Problem.standing``). Peers receive a
failed run as the worst reading so far. All libraries use their documented defaults, as in
``tests.benchmarks.trials``.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from itertools import combinations

import numpy as np

from tests.benchmarks.replays.problem import STARTS, Problem
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.methods import POOL, Choice

# Rounds of refinement around the best candidate of a model's optimum, and settings per round.
ROUNDS, AROUND = 10, 256
LAST = 30
"""Trials of a whole campaign, the starts among them."""


Method = Callable[[Task], Choice]


def lattice(problem: Problem, unit: np.ndarray) -> np.ndarray:
    """The lattice settings nearest to unit coordinates, shape (n, d)."""
    space = problem.space
    inside = space.low + np.clip(np.atleast_2d(unit), 0.0, 1.0) * space.span
    return space.values(space.nearest_index(inside))


def polished(score: Callable[[np.ndarray], np.ndarray], task: Task) -> np.ndarray:
    """Settings of the highest score, shape (d,): uniform and tried settings, then refinement.

    Args:
        score: function of settings, (n, d) to (n,).
    """
    problem = task.problem
    rng = np.random.default_rng((task.seed, 3))
    pool = np.vstack([problem.space.values(problem.region.sample(POOL, rng)), task.values])
    values = score(pool)
    best, value = pool[np.argmax(values)], values.max()
    for k in range(ROUNDS):
        unit = problem.space.to_unit(best[None, :])
        near = lattice(problem, unit + 0.2 * 0.6**k * rng.standard_normal((AROUND, unit.shape[1])))
        values = score(near)
        if values.max() > value:
            best, value = near[np.argmax(values)], values.max()
    return best


def ours(task: Task) -> Choice:
    """The plan of this project (see ``ours.plan``)."""
    from tests.benchmarks.replays.ours import plan

    return plan(task)


def by_chance(task: Task) -> Choice:
    """Random settings as the next trial; reports the best reading."""
    rng = np.random.default_rng((task.seed, 4, len(task.values)))
    return Choice({"random": task.best_reading()}, task.problem.by_chance(task.values, rng))


def design(d: int, rng: np.random.Generator) -> np.ndarray:
    """A central composite design of d settings in unit coordinates, shape (n, d).

    The corners lie at half the range; from five settings on they form a fraction in which the signs
    of some settings are products of others (Box, Hunter & Hunter, Statistics for Experimenters).
    Then follow points on the axes at the ends of the range. Each part is in random order.
    """
    signs = 1.0 - 2.0 * np.array(list(np.ndindex(*(2,) * min(d, 4))))
    products = {5: [(0, 1, 2, 3)], 6: [(0, 1, 2), (1, 2, 3)]}.get(d, [])
    corners = np.column_stack([signs, *(signs[:, p].prod(axis=1) for p in products)])
    axes = np.vstack([np.eye(d), -np.eye(d)])
    return np.vstack([0.5 + 0.25 * rng.permutation(corners), 0.5 + 0.5 * rng.permutation(axes)])


def surface_makes_sense(problem: Problem) -> bool:
    """Whether a second-order polynomial has fewer terms than a campaign has trials."""
    d = len(problem.space.names)
    return (d + 1) * (d + 2) // 2 < LAST


def response_surface(task: Task) -> Choice:
    """A central composite design around the middle, and its second-order surface.

    ``y`` and ``c`` are second-order polynomials fitted by ridge regression; the report is the
    highest predicted ``y`` with the constraint met. After the design each trial is that report.
    """
    d = len(task.problem.space.names)
    planned = design(d, np.random.default_rng((task.seed, 5)))
    k = len(task.values) - STARTS
    trial = lattice(task.problem, planned[k])[0] if k < len(planned) else None
    if task.good.sum() < d + 1:
        spare = lattice(task.problem, planned[k % len(planned)])[0]
        return Choice({"surface": task.best_reading()}, spare)

    def terms(values: np.ndarray) -> np.ndarray:
        z = 2.0 * task.problem.space.to_unit(values) - 1.0
        pairs = [z[:, i] * z[:, j] for i, j in combinations(range(d), 2)]
        return np.column_stack([np.ones(len(z)), z, *pairs, z**2])

    A = terms(task.values)
    readings = np.column_stack(task.padded())
    middle, spread = readings.mean(axis=0), readings.std(axis=0)
    spread[spread == 0.0] = 1.0
    penalty = np.diag([0.0] + [0.1] * d + [1.0] * (A.shape[1] - 1 - d))
    weights = np.linalg.solve(A.T @ A + penalty, A.T @ ((readings - middle) / spread))

    def score(values: np.ndarray) -> np.ndarray:
        y, c = (terms(values) @ weights).T
        short = c + middle[1] / spread[1]
        return np.where(short <= 0.0, y, -1e3 - short)

    best = polished(score, task)
    return Choice({"surface": best}, best if trial is None else trial)


def scikit_optimize(task: Task) -> Choice:
    """scikit-optimize's expected improvement of a penalized loss; reports the best reading.

    The loss is ``-y`` divided by the range of the readings, plus, where the constraint is violated,
    a penalty of twice ``c`` divided by the size of the readings of ``c``, at most 2.
    """
    from skopt import Optimizer

    space = task.problem.space
    optimizer = Optimizer(
        [(0, s.top) for s in space.settings],
        acq_func="EI",
        n_initial_points=0,
        random_state=task.seed,
    )
    y, c = task.padded()
    size = float(np.sqrt(np.mean(c**2))) or 1.0
    loss = -(y - y.min()) / (np.ptp(y) or 1.0) + np.clip(2.0 * c / size, 0.0, 2.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        optimizer.tell(space.nearest_index(task.values).tolist(), loss.tolist())
        point = np.array([optimizer.ask()])
    return Choice({"skopt": task.best_reading()}, space.values(point)[0])


def optuna_gp(task: Task) -> Choice:
    """Optuna's Gaussian-process sampler with a constraint; reports the best reading."""
    from tests.benchmarks.replays.peer_optuna import next_trial

    return Choice({"optuna": task.best_reading()}, next_trial(task))


def botorch_log_nei(task: Task) -> Choice:
    """BoTorch's constrained noisy log-EI; reports its model's optimum and the best reading."""
    from tests.benchmarks.replays.peer_botorch import plan

    optimum, trial = plan(task)
    return Choice({"botorch tried": task.best_reading(), "botorch": optimum}, trial)


def botorch_listed(task: Task) -> Choice:
    """``botorch_log_nei`` restricted to the settings of the table, which only this method knows."""
    from tests.benchmarks.replays.peer_botorch import plan_listed

    optimum, trial = plan_listed(task)
    return Choice({"botorch listed": optimum}, trial)


METHODS: dict[str, Method] = {
    "ours": ours,
    "random": by_chance,
    "surface": response_surface,
    "skopt": scikit_optimize,
    "optuna": optuna_gp,
    "botorch": botorch_log_nei,
    "botorch-listed": botorch_listed,
}
LIGHT = ("ours", "random", "surface", "skopt")
"""Those that need no more than the install."""


def applies(method: str, problem: Problem) -> bool:
    """Whether a method is run on a problem."""
    if method == "surface":
        return surface_makes_sense(problem)
    return method != "botorch-listed" or problem.kind == "experiments"
