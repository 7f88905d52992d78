"""What further sampling would teach of recovery, against the dense normal of the same model."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit

from optimizer.diagnostics import unexplored
from optimizer.diagnostics.unexplored import plan_sampling
from tests.model.fitted_pairs import POINTS, case, dense

ASKED, MORE = 6, 3
HALF = np.array([0.5, 0.5])
"""The logit of the recovery is half the sum of sharpness and balance."""


class Anywhere:
    """A region that tells at which points it was sampled."""

    def __init__(self):
        self.points = []

    def sample(self, count, rng):
        self.points.append(rng.random((count, 5)))
        return self.points[-1]


def parts_of(covariance, at):
    """Covariance of S and C at each of some points, shape (n, 2, 2)."""
    m = len(covariance) // 2
    return np.array([covariance[np.ix_([k, m + k], [k, m + k])] for k in at])


def with_more(covariance, at, noise):
    """What is left of a covariance after one more reading of S and C at each of some points."""
    m, n = len(covariance) // 2, len(at)
    rows = np.zeros((2 * n, 2 * m))
    rows[np.arange(n), at] = rows[n + np.arange(n), m + at] = 1.0
    cross = covariance @ rows.T
    return covariance - cross @ np.linalg.solve(rows @ cross + np.kron(noise, np.eye(n)), cross.T)


def test_more_settings_repeats_and_larger_samples_narrow_recovery_as_the_dense_normal_says(
    monkeypatch,
):
    """The repeats are at the set-points with most runs, and an error of a new reading is the median
    of those of the old ones. Half widths of 90 % are 1.645 standard deviations."""
    for name, value in {"POOL": ASKED, "MORE_RUNS": MORE, "MORE_COUNTS": 4.0}.items():
        monkeypatch.setattr(unexplored, name, value)
    made, region = case("coupled"), Anywhere()
    (pair,) = made.candidate.members
    evidence = SimpleNamespace(inputs_today=lambda index: index)
    model = SimpleNamespace(
        evidence=evidence, seed=3, surrogate=SimpleNamespace(pairs_=[pair, "another"])
    )
    found = plan_sampling(model, region)
    pool, spread = region.points
    assert (len(pool), len(spread)) == (ASKED, MORE)
    pool_at = POINTS + np.arange(ASKED)
    spread_at = POINTS + ASKED + np.arange(MORE)
    busiest = np.flatnonzero(pair.counts == 4.0)
    assert len(busiest) == MORE

    ask = np.vstack([pool, spread])
    now, larger = (dense(made, pair, ask, times) for times in (1.0, 4.0))
    mean, left = now.conditioned()
    n = len(made.X)
    first_run = [int(np.argmax(made.groups.which == k)) for k in range(POINTS)]
    errors = np.median([now.noise[np.ix_([k, n + k], [k, n + k])] for k in first_run], axis=0)
    m = POINTS + ASKED + MORE
    recovery = expit(0.5 * (mean[pool_at] + mean[m + pool_at]))

    def sd(covariance):
        return np.sqrt([HALF @ part @ HALF for part in parts_of(covariance, pool_at)])

    def half_width(sd):
        return np.mean(1.645 * recovery * (1.0 - recovery) * sd)

    told = {option.sampling.key: option.half_width for option in found.options}
    assert found.now == pytest.approx(half_width(sd(left)), rel=1e-4)
    assert told == {
        "more_runs": pytest.approx(half_width(sd(with_more(left, spread_at, errors))), rel=1e-4),
        "more_repeats": pytest.approx(half_width(sd(with_more(left, busiest, errors))), rel=1e-4),
        "larger_samples": pytest.approx(
            half_width(np.minimum(sd(left), sd(larger.conditioned()[1]))), rel=1e-4
        ),
    }
    widths = [option.half_width for option in found.options]
    assert widths == sorted(widths)
    left_over = np.sort(sd(left) / sd(now.covariance))
    for known in range(1, ASKED):
        between = 0.5 * (left_over[known - 1] + left_over[known])
        monkeypatch.setattr(unexplored, "KNOWN_FROM", 1.0 - between)
        assert plan_sampling(model, region).known_share == pytest.approx(known / ASKED)
