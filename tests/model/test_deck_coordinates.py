"""The deck coordinates, whose axes are the physical couplings, and processes in them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.measurement import RunReadings
from optimizer.model.coordinates import log_odds, to_latent
from optimizer.model.deck_coordinates import COUPLED, deck_coordinates_of
from optimizer.model.deck_state import deck_state_of
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace
from optimizer.simulation import FAMILIES, random_deck, random_material
from tests.benchmarks.trials.outsider import random_outsider

VIEW = deck_coordinates_of(GRAVITY_TABLE)
NAMES = GRAVITY_TABLE.names


def seen(**changed):
    """Coordinates of the middle settings with some of them changed, shape (5,)."""
    middle = dict(zip(NAMES, GRAVITY_TABLE.low + 0.5 * np.ptp(ends(), axis=0), strict=True))
    values = np.array([[{**middle, **changed}[n] for n in NAMES]])
    return dict(zip(COUPLED, VIEW(GRAVITY_TABLE.to_unit(values))[0], strict=True))


def ends():
    return np.array(
        [[s.low for s in GRAVITY_TABLE.settings], [s.high for s in GRAVITY_TABLE.settings]]
    )


def test_changes_that_conserve_mass_leave_their_coordinates_unchanged():
    # Doubling feed rate and travel (speed x slope, standard mechanics of conveying) keeps the bed
    # depth; scaling tilt with the square of the speed keeps the ratio of pull to stroke.
    one, other = (
        seen(feed_rate=1.5, eccentric_speed=300.0),
        seen(feed_rate=3.0, eccentric_speed=600.0),
    )
    assert one["feed_rate"] == pytest.approx(other["feed_rate"])
    assert one["end_raise"] - other["end_raise"] == pytest.approx(np.log(2.0))
    one, other = (
        seen(side_tilt=1.0, eccentric_speed=300.0),
        seen(side_tilt=4.0, eccentric_speed=600.0),
    )
    assert one["side_tilt"] == pytest.approx(other["side_tilt"])


def test_the_coordinates_are_invertible_and_do_not_depend_on_units():
    points = np.random.default_rng(0).random((200, 7))
    moved = VIEW(points)
    assert np.linalg.matrix_rank(moved[:, :5] - moved[:, :5].mean(axis=0)) == 5
    np.testing.assert_array_equal(moved[:, 5:], points[:, 5:])
    # The settings of the same deck, stated in kg/h, rad and Hz.
    factors = (1000.0, np.pi / 180, np.pi / 180, 1 / 60, 100 / 90)
    other = SettingSpace(
        tuple(
            Setting(s.name, "other", s.low * f, s.high * f, s.step * f)
            for s, f in zip(GRAVITY_TABLE.settings, factors, strict=True)
        )
    )
    np.testing.assert_allclose(deck_coordinates_of(other)(points), moved, atol=1e-9)


@pytest.mark.parametrize("low", [-1.0, 0.0])
def test_a_range_that_reaches_zero_or_below_stays_finite(low):
    space = SettingSpace(
        tuple(
            Setting(s.name, s.unit, low, s.high, s.step) if s.name != "eccentric_speed" else s
            for s in GRAVITY_TABLE.settings
        )
    )
    view = deck_coordinates_of(space)
    lowest = view(np.zeros((1, 5)))
    for j in range(5):
        above = view(0.1 * np.eye(5)[j : j + 1])
        assert np.all(np.isfinite(above))
        assert abs(above[0, j] - lowest[0, j]) > 1e-3


def test_with_fewer_than_two_of_the_five_settings_there_are_no_coordinates():
    flat = Setting("air", "turn", -9.0, 0.0, 1.0)
    for settings in (GRAVITY_TABLE.settings[:1], (*GRAVITY_TABLE.settings[:1], flat)):
        assert deck_coordinates_of(SettingSpace(settings)) is None
    assert deck_coordinates_of(SettingSpace(GRAVITY_TABLE.settings[:2])) is not None


def decks():
    """Decks of all simulated families and of the outsider family, whose law is independent."""
    for k in range(4):
        for name in [*FAMILIES, "outsider"]:
            rng = np.random.default_rng(300 + k)
            drawn = random_outsider(rng) if name == "outsider" else None
            yield name, k, drawn or (random_deck(rng, name), random_material(rng, name))


def test_decks_are_learned_from_fewer_runs_in_the_coordinates():
    """Squared error of the sharpness and log loss of the bed's state, from twelve even runs.

    Over sixteen decks of four families, both must be below 0.75 of their values for models that
    use the settings themselves as inputs.
    """
    errors, losses = {}, {}
    for _, k, (deck, material) in decks():
        rng = np.random.default_rng((k, 1))
        X = rng.random((300, 5))
        X[:, 0] = 0.3 + 0.7 * X[:, 0]
        values = ends()[0] + X * np.ptp(ends(), axis=0)
        truth = deck.run(values, material)
        odds = float(log_odds(np.array(material.feed_grade)))
        grade, recovery = (logit(np.clip(q, 1e-4, 1 - 1e-4)) for q in (truth.grade, truth.recovery))
        S = to_latent(grade, recovery, odds)[0]
        even = rng.random(300) > truth.failure
        fine = np.flatnonzero(even)
        teach, ask = fine[:12], fine[12:][S[fine[12:]] > 1.0]
        for view in (None, VIEW):
            model = Surrogate(NAMES, coordinates=view, members=4)
            noise = 0.1 * np.random.default_rng(k).standard_normal((2, 12))
            logits = grade[teach] + noise[0], recovery[teach] + noise[1]
            model.fit(X[teach], RunReadings.from_logits(*logits, 0.01, 0.01), odds)
            mean = model.latent(X[ask]).mean.mean(axis=0)[0]
            errors.setdefault(view, []).append(np.mean((mean - S[ask]) ** 2))
            state = deck_state_of(view).fit(X[:20], even[:20])
            chance = np.clip(state.chance_even(X[20:]), 1e-4, 1 - 1e-4)
            losses.setdefault(view, []).append(
                -np.mean(np.log(np.where(even[20:], chance, 1 - chance)))
            )
    assert np.mean(errors[VIEW]) < 0.75 * np.mean(errors[None])
    assert np.mean(losses[VIEW]) < 0.8 * np.mean(losses[None])


class GrowingWeight:
    """A weight that grows along the first input."""

    def __call__(self, A):
        return 1.0 + A[:, 0]


def test_a_weighted_process_equals_the_plain_process_times_its_weight():
    rng = np.random.default_rng(1)
    X, weight = rng.random((12, 2)), GrowingWeight()
    y = np.sin(3 * X[:, 0]) + X[:, 1]
    parts = {"mean": Mean("linear", slopes=(0.5, -0.2)), "scale": "none"}
    parts |= {"hyperparameters": Given((-0.5, -0.5, 0.0, -20.0))}
    plain = GaussianProcess(**parts).fit(X, y, np.full(12, 0.01))
    weighed = GaussianProcess(Kernel(weight=weight), **parts)
    weighed.fit(X, y * weight(X), 0.01 * weight(X) ** 2)
    A = rng.random((30, 2))
    mean, sd = plain.predict(A, return_std=True)
    times, times_sd = weighed.predict(A, return_std=True)
    np.testing.assert_allclose(times, mean * weight(A), rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(times_sd, sd * weight(A), rtol=1e-4, atol=1e-7)


@pytest.mark.parametrize("groupings", [(), (LINES,), (LABELS, LINES)])
def test_gradient_of_a_weighted_likelihood_agrees_with_differences(groupings):
    rng = np.random.default_rng(0)
    X, y = rng.random((20, 2)), rng.standard_normal(20)
    X = np.column_stack([X, *(rng.integers(0, 3, 20) for _ in groupings)])
    kernel = Kernel(groupings=groupings, coordinates=np.square, weight=GrowingWeight())
    theta = np.array([0.2, -0.4, 0.3, -1.0, 0.5, -0.7, 0.9][: 4 + len(kernel.correlations)])
    mean = Mean("linear", slopes=(0.5, -0.2))
    gp = GaussianProcess(kernel, mean, hyperparameters=Given(tuple(theta)))
    gp.fit(X, y, np.full(20, 0.1))
    _, gradient = gp.log_marginal_likelihood(theta, eval_gradient=True)
    numeric = [
        (gp.log_marginal_likelihood(theta + s) - gp.log_marginal_likelihood(theta - s)) / 2e-6
        for s in 1e-6 * np.eye(len(theta))
    ]
    np.testing.assert_allclose(gradient, numeric, rtol=1e-5, atol=1e-6)


def test_the_mean_far_from_readings_follows_the_prior_slopes():
    gp = GaussianProcess(
        mean=Mean("linear", variance=1e-6, level=0.0, slopes=(2.0, 0.0)),
        scale="none",
        hyperparameters=Given((-2.0, -2.0, -6.0, -4.0)),
    )
    gp.fit(np.array([[0.5, 0.5]]), np.array([0.0]), np.array([0.01]))
    ends = gp.predict(np.array([[0.0, 0.5], [1.0, 0.5], [0.5, 1.0]]))
    np.testing.assert_allclose(ends, [-1.0, 1.0, 0.0], atol=0.02)
