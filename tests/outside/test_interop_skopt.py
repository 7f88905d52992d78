"""The optimizer that asks and tells as scikit-optimize does, judged by its plots and problems.

Sources: scikit-optimize, ``skopt.plots``, ``skopt.utils`` and ``skopt.benchmarks`` (Branin, minimum
0.397887). The constrained problem of R. B. Gramacy et al., Technometrics 58 (2016) 1-11, minimum
0.599788 at (0.1951, 0.4047). Expected improvement as scikit-optimize computes it,
``skopt.acquisition.gaussian_ei``.
"""

from __future__ import annotations

import warnings

import matplotlib as mpl
import numpy as np
import pytest
from skopt import plots
from skopt.acquisition import gaussian_ei
from skopt.benchmarks import branin
from skopt.space import Categorical, Integer, Real, Space
from skopt.utils import expected_minimum

from optimizer.errors import HighsideError, InputError, LimitError
from optimizer.gaussian_process.inputs import Inputs
from optimizer.interop import Optimizer
from optimizer.interop.gain import Gain
from optimizer.interop.lattice import Lattice, space_of
from optimizer.interop.regressor import SurrogateRegressor
from tests.benchmarks.replays.functions import gramacy_constraint

mpl.use("Agg")
BRANIN = [(-5.0, 10.0), (0.0, 15.0)]


def loop(optimizer, f, trials, **told):
    for _ in range(trials):
        x = optimizer.ask()
        result = optimizer.tell(x, f(x), **told)
    return result


@pytest.fixture(scope="module")
def of_branin():
    optimizer = Optimizer(BRANIN, random_state=3)
    return optimizer, loop(optimizer, lambda x: float(branin(x)), 28)


def test_branin_is_minimized(of_branin):
    _, result = of_branin
    assert result.fun == pytest.approx(0.397887, abs=0.05)
    assert result.fun >= 0.397887 - 1e-6
    assert result.fun == min(result.func_vals) == pytest.approx(branin(result.x))
    assert len(result.x_iters) == 28


def test_the_plots_of_scikit_optimize_take_the_result(of_branin):
    from matplotlib import pyplot

    _, result = of_branin
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scikit-optimize's own, of newer libraries
        drawn = [
            plots.plot_convergence(result),
            plots.plot_regret(result, true_minimum=0.397887),
            plots.plot_evaluations(result),
            plots.plot_objective(result, n_points=8, n_samples=20),
            plots.plot_objective_2D(result, 0, 1, n_points=8, n_samples=20),
            plots.plot_histogram(result, 0),
        ]
        x, value = expected_minimum(result, n_random_starts=5, random_state=0)
    assert all(axes is not None for axes in drawn)
    # The best that is known of 28 trials, by the plot's own line.
    best = drawn[0].lines[0].get_ydata()
    np.testing.assert_allclose(best, np.minimum.accumulate(result.func_vals))
    assert value <= result.fun + 0.5
    assert branin(x) < 2.0
    pyplot.close("all")


def test_the_plot_of_one_dimension_shows_the_model():
    from matplotlib import pyplot

    optimizer = Optimizer([(-2.0, 2.0)], random_state=0)
    result = loop(optimizer, lambda x: np.sin(5 * x[0]) * (1 - np.tanh(x[0] ** 2)), 12)
    axes = plots.plot_gaussian_process(result)
    assert axes.get_xlabel() == "x"
    pyplot.close("all")


def test_mixed_dimensions_are_searched():
    space = [
        Real(1e-4, 1.0, prior="log-uniform", name="rate"),
        Integer(1, 12, name="number"),
        Categorical(["round", "square", "slotted"], name="screen"),
    ]

    def f(x):
        rate, number, screen = x
        return (np.log10(rate) + 2.5) ** 2 + 0.1 * (number - 4) ** 2 + 2.0 * (screen != "square")

    optimizer = Optimizer(space, random_state=0)
    result = loop(optimizer, f, 30)
    assert result.x[1:] == [4, "square"]
    assert result.fun < 0.05
    assert all(x in Space(space) for x in result.x_iters)
    assert {type(v) for v in result.x} == {float, int, str}
    assert space[0].transform_ == "identity"  # a caller's dimensions stay as they were


def test_equal_seeds_give_equal_points_and_others_do_not():
    asked = [Optimizer(BRANIN, random_state=seed).ask(4) for seed in (7, 7, 8)]
    assert asked[0] == asked[1] != asked[2]
    runs = []
    for _ in range(2):
        optimizer = Optimizer(BRANIN, random_state=7)
        loop(optimizer, lambda x: float(branin(x)), 9)
        runs.append(optimizer.ask(3))
    assert runs[0] == runs[1]


def test_what_is_asked_for_is_pending_until_it_is_told():
    optimizer = Optimizer(BRANIN, random_state=5)
    loop(optimizer, lambda x: float(branin(x)), 10)
    first, second = optimizer.ask(), optimizer.ask()
    assert optimizer.pending == [first, second]
    assert first != second
    unit = np.array(optimizer.space.transform([first, second]))
    assert np.linalg.norm(unit[0] - unit[1]) > 0.01
    optimizer.tell(first, float(branin(first)))
    assert optimizer.pending == [second]
    batch = optimizer.ask(3)
    assert len({tuple(x) for x in (*batch, second)}) == 4
    optimizer.tell(batch, [float(branin(x)) for x in batch])
    assert optimizer.pending == [second]


def test_constraints_that_are_known_by_trying_are_met():
    optimizer = Optimizer([(0.0, 1.0)] * 2, random_state=1)
    for _ in range(24):
        x = optimizer.ask()
        result = optimizer.tell(x, x[0] + x[1], constraint=gramacy_constraint(np.array([x]))[0])
    assert 0.599788 - 1e-3 <= result.fun <= 0.599788 + 0.05
    broken = [c[0] > 0 for c in result.constraints]
    assert np.isinf(result.func_vals).tolist() == broken
    assert np.isfinite(result.readings).all()
    # Two constraints of which the second never binds have the same answer.
    twice = Optimizer([(0.0, 1.0)] * 2, random_state=1)
    for x, y, c in zip(result.x_iters, result.readings, result.constraints, strict=True):
        both = twice.tell(x, y, constraint=(c[0], -1.0 - x[0]))
    assert both.x == result.x


def test_where_no_trial_meets_the_constraint_the_nearest_is_named():
    optimizer = Optimizer([(0.0, 1.0)], random_state=0)
    result = optimizer.tell([[0.2], [0.6], [0.9]], [1.0, 2.0, 3.0], constraint=[2.0, 0.5, 0.7])
    assert (result.x, result.fun) == ([0.6], np.inf)


def test_trials_that_fail_are_avoided():
    optimizer = Optimizer([(0.0, 1.0)] * 2, random_state=2)
    for _ in range(26):
        x = optimizer.ask()
        optimizer.tell(x, None if x[0] < 0.4 else (x[0] - 0.1) ** 2 + (x[1] - 0.5) ** 2)
    result = optimizer.get_result()
    failed = np.isnan(result.readings)
    assert failed[:10].sum() > 0
    assert failed[-8:].sum() <= 4
    assert result.fun == pytest.approx(0.09, abs=0.03)  # at the edge x0 = 0.4


def test_known_errors_decide_what_is_believed():
    """A reading of large known error far below all others moves the model little; without its
    error it is believed."""
    x = [[float(v)] for v in np.linspace(0.0, 1.0, 9)]
    y = [float(v[0] - 0.3) ** 2 for v in x]
    y[7] -= 1.0
    believed = []
    for error in (1.0, 0.001):
        optimizer = Optimizer([(0.0, 1.0)], random_state=0, n_initial_points=3)
        result = optimizer.tell(x, y, noise=[0.001] * 7 + [error, 0.001])
        believed.append(result.models[0].predict(optimizer.space.transform([x[7]]))[0])
    assert believed[0] == pytest.approx(0.33, abs=0.05)
    assert believed[1] == pytest.approx(y[7], abs=0.05)


def test_gain_without_noise_equals_the_expected_improvement_of_scikit_optimize():
    """With exact readings the incumbent is the lowest reading. The draws and their eight sets of
    hyperparameters are replaced by one set, so both formulas are the same."""
    X = np.linspace(0.05, 0.95, 7)[:, None]
    y = np.sin(6.0 * X[:, 0])
    model = SurrogateRegressor(noise="known", bounds=[(0, 1)], members=1).fit(X, y)
    A = np.linspace(0.66, 0.94, 23)[:, None]
    ours = np.exp(Gain(model.process_, (), X, 1, 0).log_gain(A))
    theirs = gaussian_ei(A, model, y_opt=y.min(), xi=0.0)
    # At a point tried nothing is left to gain over its own draw, which the formula does not know.
    worth = (theirs > 1e-9) & (np.abs(A - X.T).min(axis=1) > 0.015)
    assert worth.sum() > 5
    np.testing.assert_allclose(ours[worth], theirs[worth], rtol=0.03)


def test_draws_have_the_moments_of_the_process():
    X = np.random.default_rng(0).random((12, 2))
    model = SurrogateRegressor(members=1, bounds=[(0, 1)] * 2).fit(X, X[:, 0] - X[:, 1] ** 2)
    base = np.random.default_rng(1).random((3, 2))
    gain = Gain(model.process_, (), base, 1, 0)
    posterior = gain._draws[0].posterior
    normals = np.random.default_rng(2).standard_normal((1, 40000, 4))
    draws = type(gain._draws[0])(posterior, Inputs(base), normals)
    scaled = model.process_.readings_
    mean, covariance = model.predict(base, return_cov=True)
    drawn = scaled.center + scaled.spread * draws.values[0]
    np.testing.assert_allclose(drawn.mean(axis=0), mean, atol=4 * np.sqrt(covariance.max() / 4e4))
    np.testing.assert_allclose(np.cov(drawn.T), covariance, atol=0.03 * covariance.max())
    # Variance of what is left, averaged, plus variance of means given draws: the whole variance.
    A = np.random.default_rng(3).random((5, 2))
    means, left = draws.conditional(Inputs(A))
    whole = model.predict(A, return_std=True)[1] ** 2 / scaled.spread**2
    np.testing.assert_allclose(means[0].var(axis=0) + left[0], whole, rtol=0.03)
    np.testing.assert_allclose(draws.extend(A[:1]).conditional(Inputs(A[:1]))[1], 0.0, atol=1e-6)


def test_a_small_space_is_used_up_and_then_repeated():
    optimizer = Optimizer([Integer(0, 2), Categorical(["a", "b"])], random_state=0)
    points = []
    for _ in range(6):
        x = optimizer.ask()
        points.append(tuple(x))
        optimizer.tell(x, x[0] + (x[1] == "a"))
    for _ in range(6):
        x = optimizer.ask()
        optimizer.tell(x, x[0] + (x[1] == "a"))
        points.append(tuple(x))
    assert set(points) == {(k, c) for k in range(3) for c in "ab"}
    optimizer.ask(6)
    with pytest.raises(LimitError, match="every point of the space is pending"):
        optimizer.ask()


def test_levels_are_those_of_the_dimensions():
    lattice = Lattice(space_of([(0.0, 2.0), (1, 5), ["a", "b"], Real(1.0, 100.0, "log-uniform")]))
    assert lattice.sizes.tolist() == [65537, 5, 2, 65537]
    assert lattice.point(np.array([32768, 2, 1, 32768])) == [1.0, 3, "b", pytest.approx(10.0)]
    index = lattice.spread(50, np.random.default_rng(0))
    np.testing.assert_array_equal(lattice.nearest(lattice.inputs(index)), index)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"x": [11.0, 0.0], "y": 1.0}, "is not in the space"),
        ({"x": [1.0], "y": 1.0}, "one value for each of 2 dimensions"),
        ({"x": [1.0, 1.0], "y": "low"}, "y of point .* is 'low', not a finite number"),
        ({"x": [1.0, 1.0], "y": np.inf}, "Tell a trial that failed as None"),
        ({"x": [1.0, 1.0], "y": 1.0, "noise": -0.1}, "must not be negative"),
        ({"x": [1.0, 1.0], "y": 1.0, "constraint": np.nan}, "constraint of point"),
        ({"x": [[1.0, 1.0], [2.0, 2.0]], "y": [1.0]}, "y has 1 for 2 points"),
        ({"x": [[1.0, 1.0], [2.0, 2.0]], "y": 1.0}, "y has one entry for 2 points"),
        ({"x": [[1.0, 1.0]], "y": [1.0], "constraint": [(0.1, 0.2)]}, "1 and 2 constraints"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_taken(told, said):
    optimizer = Optimizer(BRANIN, random_state=0)
    optimizer.tell([0.0, 0.0], 3.0, constraint=-1.0)
    with pytest.raises(InputError, match=said):
        optimizer.tell(**told)
    assert len(optimizer.told) == 1


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Optimizer([]), "dimensions is empty"),
        (lambda: Optimizer(BRANIN).ask(0), "n_points must be at least 1"),
        (lambda: Optimizer(BRANIN).get_result(), "nothing was told yet"),
    ],
)
def test_what_cannot_be_done_is_said(make, said):
    with pytest.raises(HighsideError, match=said):
        make()


def test_a_trial_that_hardly_meets_its_constraint_is_not_named_as_the_best():
    """The lowest reading meets the constraint by a fifth of the noise of its readings, among eight
    others by much more."""
    optimizer = Optimizer([(0.0, 1.0)], random_state=0, n_initial_points=6)
    rng = np.random.default_rng(0)
    for x in np.linspace(0.0, 1.0, 12).tolist():
        # Truly met up to x = 0.6, where the noise of both readings is 0.1.
        c = x - 0.6 + 0.1 * float(rng.standard_normal())
        optimizer.tell([x], -x, constraint=c, fit=False)
    optimizer.tell([0.68], -0.68, constraint=-0.02, fit=False)
    by_readings = optimizer.get_result(fit=False)
    assert by_readings.x[0] > 0.6
    result = optimizer.get_result()
    assert result.x[0] <= 0.6
    assert result.fun == -result.x[0]
