"""Who may plan a campaign.

A method takes a task and answers with the next trial and with one or more reports: settings that
it would run production on now. All of them name settings of the lattice; what the problem has for
these is the same for all (``Problem.trial``, ``Problem.standing``). Failed runs reach peers as the
worst read so far. All tuning is by each library's documented defaults, as in ``tests.benchmarks.
trials``.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from itertools import combinations

import numpy as np

from tests.benchmarks.replays.problem import STARTS, Problem
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.methods import POOL, Choice

# Rounds about the best of the candidates of a model's own optimum, and settings in each.
ROUNDS, AROUND = 10, 256
LAST = 30
"""Trials of a whole campaign, the starts among them."""


Method = Callable[[Task], Choice]


def lattice(problem: Problem, unit: np.ndarray) -> np.ndarray:
    """Nearest settings of the lattice of unit coordinates, shape (n, d)."""
    space = problem.space
    inside = space.low + np.clip(np.atleast_2d(unit), 0.0, 1.0) * space.span
    return space.values(space.nearest_index(inside))


def polished(score: Callable[[np.ndarray], np.ndarray], task: Task) -> np.ndarray:
    """Settings of the highest score, shape (d,): even ones and those tried, then closer and closer.

    Args:
        score: of settings, (n, d) to (n,).
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
    """This project's plan."""
    from tests.benchmarks.replays.ours import plan

    return plan(task)


def by_chance(task: Task) -> Choice:
    """Any settings next; the best reading to run now."""
    rng = np.random.default_rng((task.seed, 4, len(task.values)))
    return Choice({"random": task.best_reading()}, task.problem.by_chance(task.values, rng))


def design(d: int, rng: np.random.Generator) -> np.ndarray:
    """A central composite design of d settings in unit coordinates, shape (n, d).

    Corners at half the range (from the fifth setting on a fraction: its sign is the product of
    others, as in Box, Hunter & Hunter, Statistics for Experimenters), then points on the axes at
    the ends of the range, each part in random order.
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
    """A central composite design about the middle, and its second-order surface.

    ``y`` and ``c`` are second-order polynomials by ridge regression; the report is the highest
    ``y`` predicted with the constraint met. When the design is through, that is tried.
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
    """scikit-optimize's expected improvement of a penalized loss; the best reading to run now.

    The loss is ``-y`` over the range read so far, plus twice ``c`` over the size of those read, at
    most 2, where the constraint is missed.
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
    """Optuna's Gaussian-process sampler with a constraint; the best reading to run now."""
    from tests.benchmarks.replays.peer_optuna import next_trial

    return Choice({"optuna": task.best_reading()}, next_trial(task))


def botorch_log_nei(task: Task) -> Choice:
    """BoTorch's constrained noisy log-EI; its model's own optimum and the best reading."""
    from tests.benchmarks.replays.peer_botorch import plan

    optimum, trial = plan(task)
    return Choice({"botorch tried": task.best_reading(), "botorch": optimum}, trial)


def botorch_listed(task: Task) -> Choice:
    """The same told which settings the table has, for trial and report: no other method is."""
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
