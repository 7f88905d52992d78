"""One quantity as a Gaussian process: likelihood, replicates, known errors, lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.gaussian_process.estimation import Estimated, Given
from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.replicates import collapse


@pytest.mark.parametrize(
    "kernel",
    [
        Kernel(),
        Kernel(additive=0.8),
        Kernel(groupings=(LINES,), additive=0.5),
        Kernel(groupings=(LABELS,), additive=0.5),
    ],
)
def test_gradient_of_the_likelihood_agrees_with_differences(kernel):
    rng = np.random.default_rng(0)
    X, y = rng.random((20, 3)), rng.standard_normal(20)
    if kernel.groupings:
        X[:, 2] = rng.integers(0, 3, 20)
    # One more length scale, or the logits of the agreements.
    p = 4 + max(1, len(kernel.correlations))
    gp = GaussianProcess(kernel, Mean("quadratic"), hyperparameters=Given((0.0,) * p)).fit(
        X, y, known_variance=np.full(20, 0.1), counts=np.arange(1, 21), scatter=np.ones(20)
    )
    theta = np.array([0.2, -0.4, 0.9, 0.3, -1.0, 0.7][:p])
    _, gradient = gp.log_marginal_likelihood(theta, eval_gradient=True)
    steps = 1e-6 * np.eye(p)
    numeric = [
        (gp.log_marginal_likelihood(theta + s) - gp.log_marginal_likelihood(theta - s)) / 2e-6
        for s in steps
    ]
    np.testing.assert_allclose(gradient, numeric, rtol=1e-5, atol=1e-6)


def test_similar_lines_learn_from_each_other_and_different_lines_do_not():
    """One quantity on two lines; the second line has eight readings."""
    rng = np.random.default_rng(5)
    X = np.column_stack([rng.random((60, 2)), np.ones(60)])
    own = np.column_stack([rng.random((8, 2)), np.zeros(8)])
    unseen = np.column_stack([rng.random((100, 2)), np.zeros(100)])

    def line(A, shift=0.0):
        return 3.0 * np.sin(4 * A[:, 0] + shift) + 2.0 * A[:, 1]

    def error(A, y):
        kernel = Kernel(groupings=(LINES,) if A.shape[1] == 3 else ())
        parts = {"scale": "center", "hyperparameters": Estimated(8)}
        gp = GaussianProcess(kernel, Mean("constant"), **parts)
        mean = gp.fit(A, y, np.full(len(y), 0.0025)).predict(unseen[:, : A.shape[1]])
        return np.sqrt(np.mean((line(unseen) - mean) ** 2))

    both, mine = np.vstack([X, own]), line(own) + 0.05 * rng.standard_normal(8)
    cold = error(own[:, :2], mine)
    kin = error(both, np.concatenate([line(X, 0.2), mine]))
    other = error(both, np.concatenate([line(X, np.pi / 2), mine]))
    assert kin < 0.5 * cold
    assert other < 1.2 * cold


@settings(max_examples=25)
@given(seed=st.integers(0, 2**31), n=st.integers(1, 40))
def test_collapse_keeps_sums(seed, n):
    rng = np.random.default_rng(seed)
    X = rng.integers(0, 3, (n, 2)).astype(float)
    y, v = rng.standard_normal(n), rng.random(n)
    points, mean, variance, count, scatter = collapse(X, y, v)
    assert count.sum() == n
    assert len(np.unique(points, axis=0)) == len(points)
    np.testing.assert_allclose((count * mean).sum(), y.sum(), atol=1e-9)
    np.testing.assert_allclose((count * variance).sum(), v.sum())
    np.testing.assert_allclose((scatter + count * mean**2).sum(), (y**2).sum(), atol=1e-9)


def test_a_reading_with_a_large_known_error_counts_for_less():
    X = np.array([[0.2], [0.5], [0.8]])
    pulls = []
    for variance in (0.01, 4.0):
        given = Given((-0.5, 0.0, -6.0))
        gp = GaussianProcess(mean=Mean("constant"), scale="none", hyperparameters=given)
        gp.fit(X, np.array([0.0, 1.0, 0.0]), known_variance=[0.01, variance, 0.01])
        pulls.append(gp.predict([[0.5]])[0])
    assert pulls[0] > 0.8
    assert pulls[1] < 0.2
