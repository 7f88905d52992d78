"""The process against its definition, written out as sums over pairs of points.

The definitions are those of the docstrings: the Matern-5/2 covariance of Rasmussen & Williams,
Gaussian Processes for Machine Learning (2006), equation 4.17, a part of which is a sum over single
inputs, and conditioning by equations 2.25 and 2.26, here by plain solutions of dense systems.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from optimizer.gaussian_process.draws import ProcessDraws
from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.matern import SharedLengths, matern_of_pairs
from optimizer.gaussian_process.mean import KNOWN_LEVEL, VAGUE_LEVEL, Mean
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.solvers import InducingPoints


def halved(X):
    return np.column_stack([X[:, 0] / 2.0, X[:, 1] ** 2, X[:, 2:]])


def weight(X):
    return 0.5 + X[:, 0]


SHARED = SharedLengths((0, 1, 1), (1.0, 1.0, 2.0))
SLOPES = (0.5, -1.0, 2.0)
CASES = {
    "plain": (Kernel(), Mean("none")),
    "additive": (Kernel(additive=0.3), Mean("linear", variance=0.4, slopes=SLOPES)),
    "shared": (Kernel(additive=0.3, shared=SHARED), Mean("quadratic", level=1.0)),
    "weighed": (
        Kernel(weight=weight, coordinates=halved),
        Mean("linear", variance=(0.1, 0.2, 0.3), slopes=SLOPES),
    ),
    "lines": (Kernel(groupings=(LINES,)), Mean("constant")),
    "labels": (
        Kernel(additive=1.0, groupings=(LINES, LABELS), weight=weight),
        Mean("quadratic", quadratic_inputs=(2, 0)),
    ),
}
RNG = np.random.default_rng(8)


def hyperparameters(kernel: Kernel, k: int = 0) -> Hyperparameters:
    """Those of one fit, and of a second one for a stack."""
    lengths = np.array([-0.4, 0.3, -0.1])[: kernel.lengths(3)] + 0.2 * k
    logits = np.array([0.4, -0.3, 0.9])[: len(kernel.correlations)] - 0.5 * k
    return Hyperparameters(
        lengths, np.array(0.3 - k), np.array(-2.0 + k), logits if len(logits) else None
    )


def points(kernel: Kernel, n: int) -> np.ndarray:
    numbers = RNG.integers(0, 3, (n, len(kernel.groupings)))
    return np.column_stack([RNG.random((n, 3)), numbers])


def curve(r: float) -> float:
    return (1 + np.sqrt(5) * r + 5 * r**2 / 3) * np.exp(-np.sqrt(5) * r)


def features(mean: Mean, x: np.ndarray) -> np.ndarray:
    """Those of a trend at one point, of variance 1 over the unit box, times its prior sd."""
    if mean.trend == "none":
        return np.zeros(1)
    level = np.sqrt(VAGUE_LEVEL if mean.level is None else KNOWN_LEVEL)
    z = np.sqrt(12.0) * (x - 0.5)
    found = {"constant": [], "linear": list(z), "quadratic": list(z)}[mean.trend]
    if mean.trend == "quadratic":
        chosen = z if mean.quadratic_inputs is None else z[list(mean.quadratic_inputs)]
        found += [(c**2 - 1.0) / np.sqrt(0.8) for c in chosen]
        found += [chosen[i] * chosen[j] for j in range(len(chosen)) for i in range(j)]
    return np.array([level, *(np.sqrt(mean.variance) * np.array(found))])


def agreement(kernel: Kernel, h: Hyperparameters, a: np.ndarray, b: np.ndarray) -> float:
    """Product of the correlations between the groups of two points."""
    product, logits = 1.0, [] if h.logits is None else list(h.logits)
    for k, grouping in enumerate(kernel.groupings):
        own = [1.0 / (1.0 + np.exp(-logits.pop(0))) for _ in grouping.priors]
        if a[k] != b[k]:
            product *= np.prod([np.sqrt(own[-1 if group == 0 else 0]) for group in (a[k], b[k])])
    return product


def by_definition(kernel: Kernel, mean: Mean, h: Hyperparameters, A, B) -> np.ndarray:
    shared = kernel.shared or SharedLengths((0, 1, 2), (1.0, 1.0, 1.0))
    lengths = np.exp(h.log_length_scales)[list(shared.which)] * shared.ratio
    P, Q = (X if kernel.coordinates is None else kernel.coordinates(X) for X in (A, B))
    K = np.zeros((len(A), len(B)))
    for i, (p, a) in enumerate(zip(P, A, strict=True)):
        for j, (q, b) in enumerate(zip(Q, B, strict=True)):
            z2 = ((p[:3] - q[:3]) / lengths) ** 2
            alone = np.mean([curve(np.sqrt(z2[list(m)].sum())) for m in shared.members])
            both = (1.0 - kernel.additive) * curve(np.sqrt(z2.sum())) + kernel.additive * alone
            value = np.exp(h.log_variance) * both + features(mean, p[:3]) @ features(mean, q[:3])
            if kernel.weight is not None:
                value *= kernel.weight(a[None])[0] * kernel.weight(b[None])[0]
            K[i, j] = value * agreement(kernel, h, a[3:], b[3:])
    return K


def expected(kernel: Kernel, mean: Mean, A: np.ndarray) -> np.ndarray:
    P = A if kernel.coordinates is None else kernel.coordinates(A)
    found = np.zeros(len(A)) if mean.slopes is None else (P[:, :3] - 0.5) @ mean.slopes
    return found if kernel.weight is None else found * kernel.weight(A)


@pytest.mark.parametrize("kind", CASES)
def test_covariance_variance_and_mean_before_readings(kind):
    kernel, mean = CASES[kind]
    prior, h = Prior(kernel, mean), hyperparameters(kernel)
    A, B = points(kernel, 7), points(kernel, 5)
    found = prior.covariance(h, Inputs(A), Inputs(B))
    np.testing.assert_allclose(found, by_definition(kernel, mean, h, A, B), atol=1e-9)
    own = by_definition(kernel, mean, h, A, A)
    np.testing.assert_allclose(prior.variance(h, Inputs(A)), np.diag(own), atol=1e-9)
    np.testing.assert_allclose(prior.covariance_and_gradient(h, Inputs(A))[0], own, atol=1e-7)
    np.testing.assert_allclose(prior.expected(Inputs(A)), expected(kernel, mean, A), atol=1e-12)


@pytest.mark.parametrize("kind", CASES)
def test_a_stack_of_hyperparameters_has_the_covariance_of_each(kind):
    kernel, mean = CASES[kind]
    prior, each = Prior(kernel, mean), [hyperparameters(kernel, k) for k in (0, 1)]
    stack = Hyperparameters.from_vector([h.vector for h in each], len(kernel.correlations))
    A, B = Inputs(points(kernel, 4)), Inputs(points(kernel, 3))
    assert stack.stacked
    assert not each[0].stacked
    for k, h in enumerate(each):
        np.testing.assert_allclose(
            prior.covariance(stack, A, B)[k], prior.covariance(h, A, B), atol=1e-9
        )
        np.testing.assert_allclose(prior.variance(stack, A)[k], prior.variance(h, A), atol=1e-12)


@pytest.mark.parametrize("shared", [None, SHARED])
@pytest.mark.parametrize("additive", [0.0, 0.3])
def test_the_covariance_of_pairs_is_that_of_each_point_with_its_own(additive, shared):
    kernel = Kernel(additive=additive, shared=shared)
    h, (A, B) = hyperparameters(kernel), RNG.random((2, 4, 3))
    found = matern_of_pairs(h, Inputs(A), Inputs(B), additive, shared)
    np.testing.assert_allclose(found, np.diag(by_definition(kernel, Mean("none"), h, A, B)))


READINGS = np.repeat(np.arange(6), [1, 3, 2, 1, 1, 2])


def fitted(kind: str, scale: str = "none", **parts):
    """A process given ten readings at six set-points, with a known variance of each set-point, and
    the readings by hand: inputs, values and variances."""
    kernel, mean = CASES[kind]
    h, X = hyperparameters(kernel), points(kernel, 6)
    rows, y = X[READINGS], RNG.standard_normal(len(READINGS)) + 5.0
    v = np.linspace(0.1, 0.3, 6)[READINGS]
    given = Given(tuple(h.vector))
    gp = GaussianProcess(kernel, mean, scale=scale, hyperparameters=given, **parts).fit(rows, y, v)
    return gp, h, rows, y, v


@pytest.mark.parametrize("kind", CASES)
def test_the_likelihood_is_the_density_of_all_readings_and_its_gradient_their_slope(kind):
    gp, h, rows, y, v = fitted(kind)

    def density(vector):
        one = Hyperparameters.from_vector(vector, len(gp.kernel.correlations))
        K = by_definition(gp.kernel, gp.mean, one, rows, rows) + np.diag(v + np.exp(one.log_noise))
        return multivariate_normal.logpdf(y, expected(gp.kernel, gp.mean, rows), K)

    value, gradient = gp.log_marginal_likelihood(h.vector, eval_gradient=True)
    assert value == pytest.approx(density(h.vector), rel=1e-9)
    assert gp.log_marginal_likelihood(h.vector) == pytest.approx(value, rel=1e-9)
    steps = 1e-5 * np.eye(len(h.vector))
    slopes = [(density(h.vector + s) - density(h.vector - s)) / 2e-5 for s in steps]
    np.testing.assert_allclose(gradient, slopes, rtol=1e-5, atol=1e-6)


def conditioned(gp, h, rows, y, v, A):
    """Mean and covariance of the true quantity at A."""
    K = by_definition(gp.kernel, gp.mean, h, rows, rows) + np.diag(v + np.exp(h.log_noise))
    cross = by_definition(gp.kernel, gp.mean, h, rows, A)
    own = by_definition(gp.kernel, gp.mean, h, A, A)
    solved = np.linalg.solve(K, cross)
    mean = expected(gp.kernel, gp.mean, A)
    return mean + solved.T @ (y - expected(gp.kernel, gp.mean, rows)), own - cross.T @ solved


@pytest.mark.parametrize("kind", CASES)
def test_the_posterior_is_that_of_all_readings(kind):
    gp, h, *readings = fitted(kind)
    A = points(gp.kernel, 4)
    mean, covariance = conditioned(gp, h, *readings, A)
    np.testing.assert_allclose(gp.predict(A), mean, atol=1e-8)
    for found, wanted in zip(gp.predict(A, return_cov=True), (mean, covariance), strict=True):
        np.testing.assert_allclose(found, wanted, atol=1e-8)
    sd = gp.predict(A, return_std=True)[1]
    np.testing.assert_allclose(sd, np.sqrt(np.diag(covariance)), atol=1e-8)
    (posterior,) = gp.stacks()
    np.testing.assert_allclose(posterior.mean(Inputs(A))[0], mean, atol=1e-8)
    (single,) = gp.posteriors_
    at_readings = conditioned(gp, h, *readings, gp.readings_.X)[0]
    np.testing.assert_allclose(single.mean(single.points), at_readings, atol=1e-8)


@pytest.mark.parametrize("kind", ["additive", "labels"])
def test_draws_have_the_mean_the_covariance_and_what_is_left_of_the_posterior(kind):
    """With the columns of the identity as normals, the draws less the mean are the rows of a root
    of the covariance; the conditional at other points is worked out from the joint covariance."""
    gp, h, *readings = fitted(kind)
    base, A = points(gp.kernel, 3), points(gp.kernel, 2)
    mean, covariance = conditioned(gp, h, *readings, np.vstack([base, A]))
    draws = ProcessDraws(gp.posteriors_[0], Inputs(base), np.vstack([np.zeros(4), np.eye(4)]))
    np.testing.assert_allclose(draws.values[0], mean[:3], atol=1e-8)
    off = draws.values[1:] - mean[:3]
    np.testing.assert_allclose(off.T @ off, covariance[:3, :3], atol=1e-8)
    slopes = np.linalg.solve(covariance[:3, :3], covariance[:3, 3:])
    given, left = draws.conditional(Inputs(A))
    np.testing.assert_allclose(given, mean[3:] + (draws.values - mean[:3]) @ slopes, atol=1e-7)
    unknown = covariance[3:, 3:] - covariance[3:, :3] @ slopes
    np.testing.assert_allclose(left, np.diag(unknown), atol=1e-8)
    assert (draws.conditional(Inputs(base))[1] > 0.0).all()
    more = draws.extend(A[:1])
    np.testing.assert_allclose(more.values[0], mean[:4], atol=1e-8)
    np.testing.assert_allclose(more.values[:4, :3], draws.values[:4], atol=1e-6)


@pytest.mark.parametrize("kind", ["shared", "lines"])
def test_as_many_inducing_points_as_set_points_leave_the_posterior_as_it_is(kind):
    """Where there is one set-point more than inducing points, one without information: its reading
    has a variance of 1e9."""
    gp = fitted(kind)[0]
    data = gp.readings_
    X = np.vstack([data.X, points(gp.kernel, 1)])
    several = data.mean, data.known_variance, data.counts, data.scatter
    y, v, a, ss = (np.append(x, one) for x, one in zip(several, (0.0, 1e9, 1.0, 0.0), strict=True))
    A = points(gp.kernel, 4)
    parts = {**gp.get_params(), "solver": InducingPoints(6)}
    few = GaussianProcess(**parts).fit(X, y, v, a, ss)
    assert not few.posteriors_[0].exact
    for found, wanted in zip(
        few.predict(A, return_std=True), gp.predict(A, return_std=True), strict=True
    ):
        np.testing.assert_allclose(found, wanted, rtol=1e-5)
    (posterior,) = few.stacks()
    np.testing.assert_allclose(posterior.mean(Inputs(A)), few.predict(A), rtol=1e-9)


def test_a_scaled_process_predicts_in_the_units_of_the_output():
    """Readings 2, 4 and 9 (twice): center 6, mean square deviation (16 + 4 + 9 + 9) / 4 = 9.5."""
    X, y = np.array([[0.1], [0.5], [0.9], [0.9]]), np.array([2.0, 4.0, 9.0, 9.0])
    given = {"mean": Mean("none"), "hyperparameters": Given((-0.5, 0.2, -1.0))}
    scaled = GaussianProcess(**given).fit(X, y, np.full(4, 0.95))
    spread = np.sqrt(9.5)
    assert (scaled.readings_.center, scaled.readings_.spread) == pytest.approx((6.0, spread))
    by_hand = GaussianProcess(scale="none", **given)
    by_hand.fit(X, (y - 6.0) / spread, np.full(4, 0.1))
    A = np.array([[0.3], [0.7]])
    mean, sd = by_hand.predict(A, return_std=True)
    found = scaled.predict(A, return_std=True)
    np.testing.assert_allclose(found, (6.0 + spread * mean, spread * sd))
    covariance = scaled.predict(A, return_cov=True)[1]
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), found[1])
    assert scaled.noise_variance() == pytest.approx(np.exp(-1.0) * 9.5)


def test_the_center_is_the_level_where_it_is_known_and_the_spread_is_about_the_mean():
    X, y = np.array([[0.1], [0.9]]), np.array([2.0, 4.0])
    given = Given((0.0, 0.0, 0.0))
    for scale, center, spread in (("sd", 1.5, 1.0), ("center", 1.5, 1.0), ("none", 0.0, 1.0)):
        gp = GaussianProcess(mean=Mean("none", level=1.5), scale=scale, hyperparameters=given)
        found = gp.fit(X, 2.0 * y if scale == "sd" else y).readings_
        assert (found.center, found.spread) == (center, 2.0 if scale == "sd" else spread)


@pytest.mark.parametrize(("apart", "spread"), [(1e-8, 5e-9), (1e-10, 1.0)])
def test_readings_that_are_constant_are_scaled_by_one_unit(apart, spread):
    gp = GaussianProcess(mean=Mean("none"), hyperparameters=Given((0.0, 0.0, 0.0)))
    gp.fit(np.array([[0.1], [0.9]]), np.array([0.0, apart]))
    assert gp.readings_.spread == pytest.approx(spread)


def test_a_mixture_has_the_mean_variance_of_its_members_and_the_variance_between_them():
    gp, h, rows, y, v = fitted("lines")
    other = hyperparameters(gp.kernel, 1)
    A = points(gp.kernel, 3)
    each = [conditioned(gp, one, rows, y, v, A) for one in (h, other)]
    gp.posteriors_.append(
        gp.solver.condition(gp.hyperparameter_posterior().likelihood, other.vector)
    )
    mean, covariance = gp.predict(A, return_cov=True)
    np.testing.assert_allclose(mean, 0.5 * (each[0][0] + each[1][0]), atol=1e-8)
    half = 0.5 * (each[0][0] - each[1][0])
    wanted = 0.5 * (each[0][1] + each[1][1]) + np.outer(half, half)
    np.testing.assert_allclose(covariance, wanted, atol=1e-8)
    sd = gp.predict(A, return_std=True)[1]
    np.testing.assert_allclose(sd, np.sqrt(np.diag(wanted)), atol=1e-8)
    assert gp.noise_variance() == pytest.approx(0.5 * (np.exp(-2.0) + np.exp(-1.0)))
    assert gp.stacks(2)[0].lower.shape[0] == 1
    (stack,) = gp.stacks()
    for k, found in enumerate(stack.mean(Inputs(A))):
        np.testing.assert_allclose(found, each[k][0], atol=1e-8)
    V = stack.project(Inputs(A))[1]
    for k, explained in enumerate(V):
        own = stack.covariance(Inputs(A), Inputs(A))[k] - explained.T @ explained
        np.testing.assert_allclose(own, each[k][1], atol=1e-8)


def test_a_posterior_with_other_known_variances_or_fewer_set_points():
    gp, h, rows, y, v = fitted("additive")
    (posterior,), A = gp.posteriors_, points(gp.kernel, 3)
    order = [int(np.flatnonzero((row == gp.readings_.X).all(axis=1))[0]) for row in rows]
    other = np.linspace(0.4, 0.9, 6)
    found = posterior.with_known_variance(other).mean(Inputs(A))
    wanted = conditioned(gp, h, rows, y, other[order], A)[0]
    np.testing.assert_allclose(found, wanted, atol=1e-8)
    kept = np.isin(order, [1, 3, 4])
    found = posterior.of_subset(np.array([1, 3, 4])).mean(Inputs(A))
    wanted = conditioned(gp, h, rows[kept], y[kept], v[kept], A)[0]
    np.testing.assert_allclose(found, wanted, atol=1e-8)


def test_the_agreement_of_a_posterior_is_that_of_the_first_grouping():
    """Of the lines, logit 0.4."""
    (posterior,) = fitted("labels")[0].posteriors_
    assert posterior.agreement == pytest.approx(1.0 / (1.0 + np.exp(-0.4)))
    (posterior,) = fitted("lines")[0].posteriors_
    assert posterior.agreement == pytest.approx(1.0 / (1.0 + np.exp(-0.4)))
