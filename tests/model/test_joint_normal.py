"""Pairs of all descriptions against one dense normal with correlated errors of single readings.

Source of the reference: conditioning of a normal, Rasmussen & Williams, Gaussian Processes for
Machine Learning, 2006, A.6, by plain matrices of numpy; densities by scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import LABELS, LINES
from optimizer.model.joint import JointPair
from tests.model.fitted_pairs import NAMES, POINTS, case, dense

ASK = np.random.default_rng(2).random((6, 5))
K = len(ASK)


def asked(made):
    """Settings of other runs, on line 0 where the runs belong to lines."""
    return np.column_stack([ASK, np.zeros((K, made.X.shape[1] - 5))])


def check(pair, known, ask):
    """Compares the moments of a pair with those of a dense normal."""
    m = POINTS + K
    mean, covariance = known.conditioned()
    rest = np.r_[POINTS:m, m + POINTS : 2 * m]
    mean, covariance = mean[rest], covariance[np.ix_(rest, rest)]
    found = pair.moments(ask)
    np.testing.assert_allclose(np.concatenate(found.mean), mean, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(found.cut, known.cut[POINTS:], rtol=1e-7, atol=1e-9)
    s, slope, own = pair.variance(found)
    np.testing.assert_allclose(s, np.diag(covariance)[:K], rtol=1e-6)
    np.testing.assert_allclose(slope * s, np.diag(covariance[:K, K:]), rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(own + slope**2 * s, np.diag(covariance)[K:], rtol=1e-6)
    # The covariance is that of S and G = C - cut S; G is converted to C.
    to_c = np.block([[np.eye(K), np.zeros((K, K))], [np.diag(found.cut), np.eye(K)]])
    whole = to_c @ pair.covariance(found, found) @ to_c.T
    np.testing.assert_allclose(whole, covariance, rtol=1e-6, atol=1e-8)


CASES = [(name, {}) for name in NAMES]
CASES += [(name, {"weighted": True}) for name in ("coupled", "shares")]
CASES += [(name, {"groupings": (LINES,)}) for name in ("single", "shares")]
CASES += [("coupled", {"groupings": (LABELS, LINES)})]
CASES += [("joint", {"correlation": rho}) for rho in (-0.9, 0.0)]


@pytest.mark.parametrize(("name", "options"), CASES)
def test_a_pair_equals_the_dense_normal(name, options):
    """With correlated known and estimated errors, replicates, weights, lines and labels."""
    made = case(name, **options)
    (pair,) = made.candidate.members
    assert isinstance(pair, JointPair)
    ask = asked(made)
    known = dense(made, pair, ask)
    assert np.any(known.cut != 0.0) == (name == "coupled")
    check(pair, known, ask)


@pytest.mark.parametrize("name", NAMES)
def test_larger_samples_divide_the_known_errors_only(name):
    made = case(name)
    (pair,) = made.candidate.members
    larger = pair.with_larger_samples(4.0)
    check(larger, dense(made, pair, ASK, times=4.0), ASK)
    wider = pair.variance(pair.moments(ASK))[0]
    assert np.all(larger.variance(larger.moments(ASK))[0] < wider)


@pytest.mark.parametrize("name", NAMES)
def test_the_likelihood_is_that_of_all_single_readings(name):
    """Each reading is a row of its own; SciPy's ``multivariate_normal`` gives the density of all of
    them. A description by shares has the density of the logits of the two shares, which is twice
    that of sharpness and balance for each run."""
    made = case(name)
    (pair,) = made.candidate.members
    known = dense(made, pair, np.empty((0, 5)))
    covariance = known.rows @ known.covariance @ known.rows.T + known.noise
    expected = multivariate_normal(known.rows @ known.mean, covariance).logpdf(known.read)
    jacobian = len(made.X) * np.log(2.0) * (name == "shares")
    assert pair.log_likelihood == pytest.approx(expected + jacobian, rel=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_the_joint_prior_is_that_of_the_dense_normal(name):
    made = case(name)
    (pair,) = made.candidate.members
    known, found = dense(made, pair, np.empty((0, 5))), pair.joint_prior()
    np.testing.assert_allclose(found.mean, known.mean, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found.covariance, known.covariance, rtol=1e-9, atol=1e-9)
    # Means of the readings at each set-point, and the covariance of their errors.
    average = np.linalg.pinv(known.rows)
    np.testing.assert_allclose(found.read, average @ known.read, atol=1e-9)
    noise = average @ known.noise @ average.T
    for i in (0, 1):
        for j in (0, 1):
            block = noise[i * POINTS : (i + 1) * POINTS, j * POINTS : (j + 1) * POINTS]
            np.testing.assert_allclose(found.noise[:, i, j], np.diag(block), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_a_stack_equals_its_members(name):
    made = case(name, members=4)
    (stack,) = made.candidate.pair(range(4))
    assert stack.members == 4
    inputs = Inputs(ASK)
    together = stack.moments(inputs)
    parts = stack.variance(together), stack.covariance(together, together)
    off = np.random.default_rng(0).standard_normal((4, 3, 2 * K))
    drawn = stack.with_deviations(together, off)
    for k, pair in enumerate(made.candidate.members):
        at = pair.moments(Inputs(ASK))
        for several, one in (
            *zip(together.mean, at.mean, strict=True),
            (together.cut, at.cut),
            *zip(parts[0], pair.variance(at), strict=True),
            (parts[1], pair.covariance(at, at)),
            *zip(drawn, pair.with_deviations(at, off[k]), strict=True),
        ):
            # The inputs do not depend on the member where a cut is 0.
            several = np.broadcast_to(several, (4, *one.shape))
            np.testing.assert_allclose(several[k], one, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("name", ["coupled", "shares"])
def test_before_any_reading_the_variances_are_those_of_the_prior(name):
    made = case(name)
    (pair,) = made.candidate.members
    known = dense(made, pair, ASK)
    m = POINTS + K
    prior = known.covariance[np.ix_(np.r_[POINTS:m, m + POINTS : 2 * m], range(2 * m))]
    prior = prior[:, np.r_[POINTS:m, m + POINTS : 2 * m]]
    s, slope, own = pair.variance(pair.moments(ASK).unread())
    np.testing.assert_allclose(s, np.diag(prior)[:K], rtol=1e-9)
    np.testing.assert_allclose(slope * s, np.diag(prior[:K, K:]), rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(own + slope**2 * s, np.diag(prior)[K:], rtol=1e-7)
