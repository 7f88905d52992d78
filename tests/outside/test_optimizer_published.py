"""The optimizer on published test functions with known minima.

Sources: Branin and Hartmann-6 as in ``skopt.benchmarks`` (scikit-optimize); the constrained
problem of Gramacy et al., Technometrics 58 (2016) 1-11, minimum 0.5998 at (0.1951, 0.4047)
(computed with many starts of SLSQP).

A decreasing logistic map turns a function to be minimized into a recovery, and a constraint into a
grade; readings are exact. The tests check the best value among a stated number of runs.
"""

from __future__ import annotations

import numpy as np
import pytest
from skopt.benchmarks import branin, hart6

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.region import Region
from optimizer.plant.site import Site
from tests.benchmarks.replays.functions import box, gramacy_constraint
from tests.benchmarks.replays.shares import grade_of, recovery_of, run_log


def run(space, objective, constraint, starts, batches, size, scale, seed=0):
    """Best feasible value after ``starts`` spread runs and ``batches`` plans of ``size`` trials."""
    values = space.values(Region.whole(space).sample(starts, np.random.default_rng(seed)))
    brief = Brief.from_dict({"goal": {"min_grade": 0.5}, "trials": {"count": size}})
    for _ in range(batches):
        f = np.array([objective(v) for v in values])
        g = np.array([constraint(v) for v in values])
        table = run_log(space, values, grade_of(g), recovery_of(-f, scale=scale))
        plan = suggest(Snapshot.of_table(table), Site(base=space), brief, seed=seed)
        picks = [[r.settings[n] for n in space.names] for r in plan.recommendations]
        values = np.vstack([values, picks])
    f = np.array([objective(v) for v in values])
    met = np.array([constraint(v) for v in values]) <= 0
    return float(f[met].min()), len(values)


def free(_):
    return -3.0


def test_branin():
    """Single campaigns end between 0.40 and 0.65, so that one alone says little."""
    space = box([(-5.0, 10.0), (0.0, 15.0)], step=0.001)
    found = [run(space, branin, free, 8, 8, 2, scale=60.0, seed=seed) for seed in range(4)]
    best, runs = np.transpose(found)
    assert (runs == 24).all()
    assert best.min() == pytest.approx(0.397887, abs=0.05)
    assert best.max() < 0.75


@pytest.mark.proof  # fifty plans over six settings
def test_hartmann_6():
    space = box([(0.0, 1.0)] * 6, step=0.005)
    best, runs = run(space, hart6, free, 14, 12, 3, scale=1.0)
    assert runs == 50
    assert best == pytest.approx(-3.32237, abs=0.15)


def constrained(v):
    return float(gramacy_constraint(np.array([v]))[0])


def test_constrained_problem_of_gramacy():
    assert constrained([0.2, 0.2]) == pytest.approx(1.28526, abs=1e-5)  # published value
    space = box([(0.0, 1.0)] * 2, step=0.002)
    best, runs = run(space, lambda v: v[0] + v[1], constrained, 8, 7, 2, scale=0.5)
    assert runs == 22
    assert best == pytest.approx(0.599788, abs=0.02)
    assert best >= 0.599788 - 1e-3
