"""Gates in the model: alike they are one air, apart intervals widen, and runs teach a profile."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.matern import SharedLengths, matern
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.prior import Prior
from optimizer.measurement import RunReadings
from optimizer.model.coordinates import from_latent
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_prior import descriptions_of
from optimizer.model.deck_state import deck_state_of
from optimizer.model.surrogate import Surrogate
from optimizer.plant.profiles import profiles_of
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE, SettingSpace

FOUR = GRAVITY_TABLE.with_gates("air", 4)
FEED_ODDS = float(logit(0.9))
DESCRIPTIONS = ("coupled", "loose", "single", "joint", "shares")
# ln of the air that each gate of the deck below needs, over their mean: known by construction.
NEED = np.array([0.30, 0.10, -0.10, -0.30])


def fitted(space, values, grade, recovery, **options):
    """The surrogate of a space, fitted to readings at values of its settings."""
    profiles = profiles_of(space)
    read = RunReadings.from_shares(grade, recovery, recovery_se=0.004, grade_count=600.0)
    model = Surrogate(
        profiles.names,
        coordinates=deck_coordinates_of(space),
        contrasts=profiles.contrasts,
        **options,
    )
    return model.fit(np.round(profiles.inputs(values), 9), read, FEED_ODDS)


def apart(values, need=NEED):
    """Grade and recovery of a deck whose gates act alone: each loses sharpness by the square of the
    logarithm of its air over its need. Shares no code with the package's simulation."""
    away = np.log((values[:, 4:] + 5.0) / 45.0) - need
    S = 6.0 - 8.0 * np.mean(away**2, axis=1) - 0.2 * (values[:, 2] - 2.5) ** 2
    C = 2.0 - 0.8 * (values[:, 2] - 2.5) + 0.004 * (values[:, 3] - 450.0)
    return S, C


def read(values, rng):
    S, C = apart(values)
    grade, recovery = from_latent(S, C + 0.05 * rng.standard_normal(len(S)), FEED_ODDS)
    weighed = np.clip(recovery + 0.004 * rng.standard_normal(len(S)), 0.001, 0.999)
    return rng.binomial(600, grade) / 600, weighed


def alike(values):
    return np.hstack([values[:, :4], np.repeat(values[:, 4:], 4, axis=1)])


@pytest.fixture(scope="module")
def one_air():
    """Values of 16 runs and of 40 other settings with one air, and readings of the runs."""
    region = Region.whole(GRAVITY_TABLE)
    runs, others = (
        GRAVITY_TABLE.values(region.sample(n, np.random.default_rng(seed)))
        for n, seed in ((16, 1), (40, 2))
    )
    return runs, others, read(alike(runs), np.random.default_rng(3))


@pytest.mark.parametrize("description", DESCRIPTIONS)
def test_gates_that_were_alike_in_all_runs_predict_what_one_air_predicts(one_air, description):
    runs, others, readings = one_air
    options = {"descriptions": (description,), "members": 2}
    one = fitted(GRAVITY_TABLE, runs, *readings, **options)
    four = fitted(FOUR, alike(runs), *readings, **options)
    A = np.round(GRAVITY_TABLE.to_unit(others), 9)
    B = np.round(profiles_of(FOUR).inputs(alike(others)), 9)
    of_one, of_four = one.predict(A, FEED_ODDS), four.predict(B, FEED_ODDS)
    for quantity in ("grade", "recovery"):
        for end in ("low", "mean", "high"):
            before, after = (getattr(getattr(p, quantity), end) for p in (of_one, of_four))
            np.testing.assert_allclose(after, before, atol=1e-8)


def test_gates_alone_keep_the_gentle_description():
    space = SettingSpace(GRAVITY_TABLE.settings[4:])
    gates = space.with_gates("air", 3)
    air = np.linspace(10.0, 80.0, 9)[:, None]
    readings = np.linspace(0.95, 0.99, 9), np.linspace(0.9, 0.8, 9)
    options = {"descriptions": ("smooth",), "members": 1}
    one = fitted(space, air, *readings, **options)
    three = fitted(gates, np.repeat(air, 3, axis=1), *readings, **options)
    at = np.array([[33.0], [64.0]])
    A, B = space.to_unit(at), profiles_of(gates).inputs(np.repeat(at, 3, axis=1))
    np.testing.assert_allclose(
        one.predict(A, FEED_ODDS).recovery.mean,
        three.predict(B, FEED_ODDS).recovery.mean,
        atol=1e-8,
    )


def test_intervals_widen_with_a_taper_that_was_never_tried(one_air):
    runs, _, readings = one_air
    model = fitted(FOUR, alike(runs), *readings, members=2)
    shape = np.array([1.0, 1.0 / 3.0, -1.0 / 3.0, -1.0])
    here = alike(np.array([[2.0, 2.5, 2.5, 450.0, 40.0]]))[0]
    tapered = np.tile(here, (4, 1))
    tapered[:, 4:] += np.array([0.0, 2.0, 10.0, 30.0])[:, None] * shape
    found = model.latent(np.round(profiles_of(FOUR).inputs(tapered), 9))
    variance = np.mean(found.variance[:, 0], axis=0)
    assert variance[0] < variance[2] < variance[3]
    # A small taper is believed to matter little.
    assert variance[1] == pytest.approx(variance[0], rel=0.1)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_runs_teach_the_profile_of_a_deck_whose_gates_act_alone(seed):
    # The runs have tapers of at most a quarter, in ln of the air, most of them far less; the true
    # sharpness is -1.5 at a taper of -1, 6.0 at 0.3, 5.6 at 0.6. A model that does not know that
    # each part of the bed responds to its own air is off by 4 at -1.
    rng = np.random.default_rng(seed)
    runs = FOUR.values(Region.whole(FOUR).sample(48, rng))
    model = fitted(FOUR, runs, *read(runs, rng))
    trial = np.tile(alike(np.array([[2.0, 2.5, 2.5, 450.0, 40.0]])), (41, 1))
    taper = np.linspace(-1.0, 0.6, 41)
    trial[:, 4:] = 45.0 * np.exp(taper[:, None] * NEED / NEED[0]) - 5.0
    sharpness = model.latent(np.round(profiles_of(FOUR).inputs(trial), 9)).mean[:, 0].mean(axis=0)
    true = apart(trial)[0]
    assert np.abs(sharpness - true).max() < 2.0
    # The profile that the runs favor is worth most of what the taper wins over gates alike.
    found, flat = true[np.argmax(sharpness)], true[np.argmin(np.abs(taper))]
    assert true.max() - found < 0.5 * (true.max() - flat)


def test_a_shared_length_scale_is_one_scale_of_a_longer_vector():
    # Each joint covariance equals that of separate inputs with the shared scale.
    rng = np.random.default_rng(6)
    A, shared = Inputs(rng.random((12, 4))), SharedLengths((0, 1, 1, 1), (1.0, 1.0, 2.0, 3.0))
    h = Hyperparameters(np.array([-0.3, -0.8]), np.array(0.4), np.array(-3.0))
    each = Hyperparameters(
        np.array([-0.3, -0.8, -0.8 + np.log(2), -0.8 + np.log(3)]), np.array(0.4), np.array(-3.0)
    )
    np.testing.assert_allclose(matern(h, A, A, 0.0, shared), matern(each, A, A), rtol=1e-12)


@pytest.mark.parametrize("additive", [0.0, 0.5])
def test_the_gradient_of_a_shared_length_scale_is_the_slope_of_the_covariance(additive):
    rng = np.random.default_rng(7)
    A, W = Inputs(rng.random((9, 4))), rng.standard_normal((9, 9))
    W = W + W.T
    kernel = Kernel(additive=additive, shared=SharedLengths((0, 1, 1, 2), (1.0, 1.0, 2.0, 1.0)))
    prior = Prior(kernel, Mean("linear"))

    def half_trace(lengths):
        h = Hyperparameters(np.array(lengths), np.array(0.3), np.array(-3.0))
        return 0.5 * np.sum(W * prior.covariance_and_gradient(h, A)[0])

    lengths = [-0.2, -0.6, 0.1]
    h = Hyperparameters(np.array(lengths), np.array(0.3), np.array(-3.0))
    found = prior.covariance_and_gradient(h, A)[1](W).log_length_scales
    for j in range(3):
        up, down = (list(lengths) for _ in range(2))
        up[j], down[j] = up[j] + 1e-5, down[j] - 1e-5
        slope = (half_trace(up) - half_trace(down)) / 2e-5
        assert found[j] == pytest.approx(slope, rel=1e-6, abs=1e-8)


def test_the_chance_of_an_even_deck_of_gates_alike_is_that_of_one_air(one_air):
    runs, others, _ = one_air
    even = (runs[:, 4] > 20.0) & (runs[:, 4] < 75.0)
    assert 0 < even.sum() < len(even)
    one = deck_state_of(deck_coordinates_of(GRAVITY_TABLE)).fit(GRAVITY_TABLE.to_unit(runs), even)
    profiles = profiles_of(FOUR)
    columns = tuple(column for column, _, _ in profiles.contrasts)
    four = deck_state_of(deck_coordinates_of(FOUR), columns)
    four.fit(profiles.inputs(alike(runs)), even)
    np.testing.assert_allclose(
        four.chance_even(profiles.inputs(alike(others))),
        one.chance_even(GRAVITY_TABLE.to_unit(others)),
        atol=1e-8,
    )


def test_every_description_of_a_gated_deck_shares_the_length_scale_of_the_level():
    profiles = profiles_of(FOUR)
    model = Surrogate(
        profiles.names,
        coordinates=deck_coordinates_of(FOUR),
        contrasts=profiles.contrasts,
    )
    found = descriptions_of(model._frame(len(profiles.names)))
    assert {d.name for d in found} == set(DESCRIPTIONS)
    for description in found:
        for kernel, _ in (description.first, description.second):
            assert kernel.shared.which == (0, 1, 2, 3, 4, 4, 4, 4)
            assert kernel.shared.ratio[4] == 1.0 < min(kernel.shared.ratio[5:])
