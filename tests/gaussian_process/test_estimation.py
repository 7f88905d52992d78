"""Where the search for hyperparameters starts, what it searches, and the prior that it heeds."""

from __future__ import annotations

import pickle
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from optimizer.gaussian_process import estimation
from optimizer.gaussian_process.estimation import (
    REFINE_STEPS,
    SEARCH_POINTS,
    SEARCH_STEPS,
    Estimated,
    Given,
)
from optimizer.gaussian_process.hyperparameters import HyperparameterPrior, NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Grouping, of_asked, some_points
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess

PRIOR = HyperparameterPrior(
    2,
    NormalPrior((-0.5, 0.5), 0.4),
    NormalPrior(0.3, 0.7),
    NormalPrior(-2.0, 1.1),
    (NormalPrior(1.0, 1.5),),
)
CENTER, SD = [-0.5, 0.5, 0.3, -2.0, 1.0], [0.4, 0.4, 0.7, 1.1, 1.5]


def test_the_prior_is_a_normal_of_each_entry():
    """Source: ``scipy.stats.norm``; the constant is left out."""
    at = np.array([[0.1, -0.2, 0.9, -3.0, 2.0], [0.0, 1.0, -1.0, -1.0, 0.5]])
    value, gradient = PRIOR.log_density(at)
    wanted = stats.norm.logpdf(at, CENTER, SD).sum(axis=1)
    assert value[0] - value[1] == pytest.approx(wanted[0] - wanted[1])
    assert PRIOR.log_density(np.array(CENTER))[0] == 0.0
    np.testing.assert_allclose(gradient, (np.array(CENTER) - at) / np.array(SD) ** 2)


def test_the_second_start_has_shorter_lengths_and_more_noise():
    shift = np.array(SD) * [-1.0, -1.0, 0.0, 1.0, 0.0]
    np.testing.assert_allclose(PRIOR.rougher, np.array(CENTER) + shift)
    assert ((PRIOR.bounds[:, 0] < PRIOR.rougher) & (PRIOR.rougher < PRIOR.bounds[:, 1])).all()


class Peaks:
    """A posterior that tells what is asked of it; each climb ends 1 above its start, and the best
    of them is the one whose first entry is lowest."""

    prior = PRIOR

    def __init__(self, points: int, name: str = "all") -> None:
        self.name, self.asked = name, []
        self.likelihood = SimpleNamespace(
            readings=SimpleNamespace(mean=np.zeros(points)), some=lambda most, rng: most
        )

    def of_subset(self, index):
        self.subset = Peaks(index, "some")
        self.subset.asked = self.asked
        return self.subset

    def climb(self, start, steps):
        self.asked.append((self.name, np.round(start, 9).tolist(), steps))
        return SimpleNamespace(x=start + 1.0, fun=start[0])


def test_few_points_are_searched_from_the_prior_and_from_the_rougher_start():
    posterior = Peaks(SEARCH_POINTS)
    found = Estimated().choose(posterior, True, 0)
    starts = [CENTER, np.round(PRIOR.rougher, 9).tolist()]
    assert posterior.asked == [("all", each, SEARCH_STEPS) for each in starts]
    np.testing.assert_allclose(found, [PRIOR.rougher + 1.0])
    alone = Peaks(9)
    Estimated(searches=1).choose(alone, True, 0)
    assert [start for _, start, _ in alone.asked] == starts[:1]


@pytest.mark.parametrize("refine", [True, False])
def test_many_points_are_searched_by_some_of_them_and_refined_by_all(refine):
    posterior = Peaks(SEARCH_POINTS + 1)
    found = Estimated().choose(posterior, refine, 0)
    assert [(name, steps) for name, _, steps in posterior.asked] == [
        ("some", SEARCH_STEPS),
        ("some", SEARCH_STEPS),
        *([("all", REFINE_STEPS)] if refine else []),
    ]
    if refine:
        assert posterior.asked[-1][1] == np.round(PRIOR.rougher + 1.0, 9).tolist()
    np.testing.assert_allclose(found[0], PRIOR.rougher + (2.0 if refine else 1.0))


def test_a_given_start_is_the_only_one_and_lies_within_the_bounds():
    posterior = Peaks(9)
    Estimated(start=(99.0, 0.0, 0.0, 0.0, -99.0)).choose(posterior, True, 0)
    highest, lowest = PRIOR.bounds[0, 1], PRIOR.bounds[4, 0]
    assert posterior.asked == [("all", [highest, 0.0, 0.0, 0.0, lowest], SEARCH_STEPS)]


def test_further_starts_are_drawn_about_the_prior_by_the_seed():
    one, again, other = (Peaks(9) for _ in range(3))
    for posterior, seed in ((one, 1), (again, 1), (other, 2)):
        Estimated(searches=40).choose(posterior, True, seed)
    assert one.asked == again.asked != other.asked
    assert len(one.asked) == 40
    drawn = np.array([start for _, start, _ in one.asked[2:]])
    # Half the prior's deviation: 38 draws of five entries, four standard errors.
    z = (drawn - CENTER) / SD
    assert z.std() == pytest.approx(0.5, abs=0.11)


def test_of_equal_peaks_the_first_is_taken_whatever_rounding_says():
    posterior = Peaks(9)
    posterior.climb = lambda start, steps: SimpleNamespace(x=start, fun=1.0 - 1e-9 * start[3])
    np.testing.assert_array_equal(Estimated().choose(posterior, True, 0), [PRIOR.center])


def test_members_are_drawn_about_the_mode(monkeypatch):
    told = []
    monkeypatch.setattr(estimation, "resample", lambda *a: (told.append(a), "draws")[1])
    posterior = Peaks(9)
    posterior.negative = lambda vector: (0.0, 2.0 * vector)
    posterior.of_many = "targets"
    assert Estimated(members=3).choose(posterior, True, 5) == "draws"
    mode, gradient, target, bounds, count, seed = told[0]
    np.testing.assert_allclose(mode, PRIOR.rougher + 1.0)
    np.testing.assert_allclose(gradient(mode), 2.0 * mode)
    assert (target, count, seed) == ("targets", 3, 5)
    np.testing.assert_array_equal(bounds, PRIOR.bounds)


def fitted(**parts) -> GaussianProcess:
    rng = np.random.default_rng(0)
    X = rng.random((12, 2))
    return GaussianProcess(mean=Mean("linear"), **parts).fit(X, np.sin(5 * X[:, 0]) + X[:, 1])


def test_the_posterior_density_is_likelihood_times_prior_and_the_mode_is_flat():
    gp = fitted()
    posterior = gp.hyperparameter_posterior()
    at = np.array([[0.1, 0.2, 0.3, -2.0], [0.0, 0.0, 0.0, -3.0]])
    wanted = [
        gp.log_marginal_likelihood(each) + posterior.prior.log_density(each)[0] for each in at
    ]
    np.testing.assert_allclose(posterior.of_many(at), wanted)
    for each, value in zip(at, wanted, strict=True):
        negative, gradient = posterior.negative(each)
        assert negative == pytest.approx(-value)
        steps = 1e-6 * np.eye(4)
        slopes = [
            (posterior.of_many((each - s)[None])[0] - posterior.of_many((each + s)[None])[0]) / 2e-6
            for s in steps
        ]
        np.testing.assert_allclose(gradient, slopes, rtol=1e-4, atol=1e-5)
    mode = gp.posteriors_[0].hyperparameters.vector
    assert np.abs(posterior.negative(mode)[1]).max() < 0.02
    few = posterior.of_subset(np.arange(5))
    assert len(few.likelihood.readings.mean) == 5
    assert few.prior is posterior.prior


def test_given_hyperparameters_are_the_only_member_and_the_seed_draws_others():
    given = Given((0.1, 0.2, 0.3, -2.0))
    (posterior,) = fitted(hyperparameters=given).posteriors_
    assert posterior.hyperparameters.vector.tolist() == [0.1, 0.2, 0.3, -2.0]
    one, again, other = (
        fitted(hyperparameters=Estimated(4), random_state=seed) for seed in (1, 1, 2)
    )
    vectors = [[p.hyperparameters.vector.tolist() for p in gp.posteriors_] for gp in (one, again)]
    assert vectors[0] == vectors[1]
    assert vectors[0] != [p.hyperparameters.vector.tolist() for p in other.posteriors_]
    assert len(one.posteriors_) == 4


def test_parameters_are_read_set_and_told_by_name():
    gp = GaussianProcess(scale="none")
    assert list(gp.get_params()) == [
        "kernel", "mean", "noise", "solver", "scale", "hyperparameters", "random_state",
    ]  # fmt: skip
    assert repr(gp) == "GaussianProcess(scale='none')"
    assert gp.set_params(random_state=3).get_params()["random_state"] == 3
    with pytest.raises(ValueError, match="'seed' is not a parameter; parameters: kernel, mean"):
        gp.set_params(seed=1)


def test_the_score_is_the_coefficient_of_determination():
    """One less the weighted sum of squares of the residuals over that about the mean."""
    gp, rng = fitted(), np.random.default_rng(1)
    X, y, weight = rng.random((9, 2)), rng.standard_normal(9), rng.random(9)
    off, mean = y - gp.predict(X), np.average(y, weights=weight)
    wanted = 1.0 - np.sum(weight * off**2) / np.sum(weight * (y - mean) ** 2)
    assert gp.score(X, y, weight) == pytest.approx(wanted)


def test_results_are_kept_with_points_and_not_with_their_copies():
    inputs, made = Inputs.of([0.2, 0.1]), []
    assert Inputs.of(inputs) is inputs
    assert inputs.values.shape == (1, 2)
    for _ in range(2):
        assert inputs.remember("key", lambda: made.append(1)) is None
    assert made == [1]
    copied = pickle.loads(pickle.dumps(inputs))
    copied.remember("key", lambda: made.append(2))
    assert made == [1, 2]
    levels, which = Inputs(np.array([[0.5, 3.0], [0.5, 1.0], [0.2, 3.0]])).levels(1)
    assert (levels.tolist(), which.tolist()) == ([1.0, 3.0], [1, 0, 1])


def test_half_of_some_points_are_kept_for_the_group_asked_about():
    """Three of sixty points are of group 0 of the second grouping alone, the one that asks."""
    points = np.ones((60, 3))
    points[[5, 20, 50], 2] = 0.0
    points[[6, 21, 51], 1] = 0.0
    one = Grouping(NormalPrior(0.0, 1.0))
    groupings = (one, Grouping(NormalPrior(0.0, 1.0), NormalPrior(0.0, 1.0)))
    for most, kept in ((6, 3), (4, 2)):
        found = some_points(points, groupings, most, np.random.default_rng(0)).tolist()
        assert found == sorted(set(found))
        assert len(found) == most
        assert len({5, 20, 50} & set(found)) == kept
    whole = some_points(points, groupings, 60, np.random.default_rng(0))
    assert whole.tolist() == list(range(60))
    assert not of_asked(points, (one, one)).any()
    plain = some_points(points, (one, one), 6, np.random.default_rng(0))
    np.testing.assert_array_equal(plain, np.sort(np.random.default_rng(0).permutation(60)[:6]))
