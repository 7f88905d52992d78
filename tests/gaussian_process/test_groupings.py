"""Groups of runs: their correlations, and what one group that differs learns from the others."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.estimation import Estimated, Given
from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess

NUMBERS = np.array([0.0, 0.0, 1.0, 2.0, 2.0, 3.0])


def test_the_group_asked_about_correlates_by_an_agreement_of_its_own():
    """By hand: groups of agreements 0.81 and 0.25 correlate as 0.9 times 0.5."""
    logits = logit([0.81, 0.25])
    found = LABELS.correlation(logits, NUMBERS, NUMBERS)
    assert found[0].tolist() == pytest.approx([1.0, 1.0, 0.45, 0.45, 0.45, 0.45])
    assert found[2].tolist() == pytest.approx([0.45, 0.45, 1.0, 0.81, 0.81, 0.81])
    of_lines = LINES.correlation(logits[:1], NUMBERS, NUMBERS)
    assert of_lines[0].tolist() == pytest.approx([1.0, 1.0, 0.81, 0.81, 0.81, 0.81])


@pytest.mark.parametrize("grouping", [LABELS, LINES])
def test_any_agreement_gives_a_covariance(grouping):
    """No eigenvalue of a correlation matrix of eight groups is negative; 200 draws, seed 0.

    A correlation between today's group and the others that did not heed how they correlate among
    themselves would fail: 0.9 with seven groups that do not correlate is no covariance.
    """
    rng, eight = np.random.default_rng(0), np.arange(8.0)
    logits = rng.uniform(-6.0, 6.0, (200, len(grouping.priors)))
    found = grouping.correlation(logits, eight, eight)
    assert found.shape == (200, 8, 8)
    assert np.linalg.eigvalsh(found).min() > -1e-12
    impossible = np.eye(8)
    impossible[0, 1:] = impossible[1:, 0] = 0.9
    assert np.linalg.eigvalsh(impossible).min() < -1.0


def curve(A, shift=0.0):
    return 3.0 * np.sin(4 * A[:, 0] + shift) + 2.0 * A[:, 1]


def points(rng, n, group):
    return np.column_stack([rng.random((n, 2)), np.full(n, float(group))])


@pytest.mark.parametrize(("shift", "least", "most"), [(0.15, 0.0, 0.5), (np.pi, 0.0, 1.2)])
def test_a_new_group_learns_from_groups_that_agree_unless_it_differs(shift, least, most):
    """Three groups that agree with each other, 25 readings each; the new one has six of its own.

    Error of its mean relative to that of a process with its own readings alone. Seed 3.
    """
    rng = np.random.default_rng(3)
    others = np.vstack([points(rng, 25, k) for k in (1, 2, 3)])
    own, unseen = points(rng, 6, 0), points(rng, 100, 0)
    mine = curve(own, shift) + 0.05 * rng.standard_normal(6)

    def error(X, y, groupings):
        parts = {"scale": "center", "hyperparameters": Estimated(8)}
        gp = GaussianProcess(Kernel(groupings=groupings), Mean("constant"), **parts)
        inputs = 2 + len(groupings)
        mean = gp.fit(X[:, :inputs], y, np.full(len(y), 0.0025)).predict(unseen[:, :inputs])
        return float(np.sqrt(np.mean((curve(unseen, shift) - mean) ** 2)))

    cold = error(own, mine, ())
    read = curve(others) + 0.05 * rng.standard_normal(len(others))
    both = error(np.vstack([others, own]), np.concatenate([read, mine]), (LABELS,))
    assert least * cold <= both < most * cold


def test_a_random_subset_keeps_the_few_points_of_the_group_asked_about():
    """Four of 2,000 points: a tenth taken at random has none of them in two draws of three."""
    rng = np.random.default_rng(1)
    X = np.vstack([points(rng, 1996, 1), points(rng, 4, 0)])

    def some(groupings):
        inputs, kernel = 2 + len(groupings), Kernel(groupings=groupings)
        given = Given((0.0,) * (4 + len(kernel.correlations)))
        gp = GaussianProcess(kernel, Mean("constant"), hyperparameters=given)
        gp.fit(X[:2, :inputs], np.array([0.1, -0.2]))
        likelihood = gp.hyperparameter_posterior().likelihood
        readings = gp.readings_.__class__(X[:, :inputs], *(np.ones(2000) for _ in range(4)), 0, 1)
        return likelihood.__class__(likelihood.prior, likelihood.noise, readings).some(
            200, np.random.default_rng(5)
        )

    kept, plain = some((LABELS,)), some(())
    assert len(kept) == len(plain) == 200
    assert set(range(1996, 2000)) <= set(kept.tolist())
    assert not set(range(1996, 2000)) <= set(plain.tolist())
    np.testing.assert_array_equal(plain, np.sort(np.random.default_rng(5).permutation(2000)[:200]))
