"""Coupled coordinates of decks that lack some of the five settings, and the beliefs that follow."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import EXACT
from optimizer.measurement import RunReadings
from optimizer.model.deck_coordinates import COUPLED, deck_coordinates_of
from optimizer.model.deck_prior import (
    BALANCE,
    MATERIAL_LENGTH,
    SETTING_LENGTH,
    SHARPNESS,
    Frame,
    descriptions_of,
)
from optimizer.model.deck_state import COUPLED_SCALE, DeckState, deck_state_of
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace

ALL = deck_coordinates_of(GRAVITY_TABLE)
SUBSETS = [names for k in range(2, 6) for names in combinations(COUPLED, k)]
RIFFLES = Setting("riffle_height", "mm", 0.0, 10.0, 1.0)


def space_of(names, *more):
    return SettingSpace((*more, *(GRAVITY_TABLE[n] for n in names)))


def frame_of(space, inputs=None):
    return Frame(space.names, inputs or len(space.names), deck_coordinates_of(space), (), EXACT, 0)


def points_of(names, n=50):
    """Settings of a deck that lacks some: all five inputs, constant where absent, and its own."""
    five = np.random.default_rng(len(names)).random((n, 5))
    kept = [COUPLED.index(name) for name in names]
    absent = [k for k in range(5) if k not in kept]
    five[:, absent] = five[0, absent]
    return five, five[:, kept], kept


@pytest.mark.parametrize("names", SUBSETS)
def test_the_coordinates_of_every_subset_are_invertible_and_those_of_the_whole_deck(names):
    view = deck_coordinates_of(space_of(names))
    assert view.names == names
    # Far from singular, so that no direction of the settings is lost in rounding.
    assert np.linalg.cond(view.rows) < 50.0
    five, own, kept = points_of(names)
    moved, whole = view(own), ALL(five)
    off = whole[:, kept] - moved
    np.testing.assert_allclose(off, np.broadcast_to(off[0], off.shape), atol=1e-12)
    assert np.linalg.matrix_rank(moved - moved.mean(axis=0)) == len(names)
    # All five coordinates, those of absent settings too, follow the ones that are kept.
    followed = (moved - moved[0]) @ view.followed.T
    np.testing.assert_allclose(followed, whole - whole[0], atol=1e-12)
    assert np.count_nonzero(view.followed, axis=1).max() == 1


def test_further_settings_keep_their_inputs_wherever_they_stand():
    names = ("feed_rate", "air")
    space = SettingSpace((GRAVITY_TABLE["air"], RIFFLES, GRAVITY_TABLE["feed_rate"]))
    A = np.random.default_rng(0).random((20, 4))
    moved, own = deck_coordinates_of(space)(A), deck_coordinates_of(space_of(names))(A[:, [2, 0]])
    np.testing.assert_array_equal(moved[:, [1, 3]], A[:, [1, 3]])
    np.testing.assert_array_equal(moved[:, [2, 0]], own)


def test_a_setting_without_a_logarithm_is_a_further_setting():
    closed = replace(GRAVITY_TABLE["end_raise"], low=-5.0, high=0.0)
    space = SettingSpace(
        tuple(closed if s.name == closed.name else s for s in GRAVITY_TABLE.settings)
    )
    view = deck_coordinates_of(space)
    assert view.names == tuple(n for n in COUPLED if n != "end_raise")
    A = np.random.default_rng(0).random((9, 5))
    np.testing.assert_array_equal(view(A)[:, 1], A[:, 1])


@pytest.mark.parametrize("part", ["first", "second"])
@pytest.mark.parametrize("names", SUBSETS)
def test_a_deck_without_a_setting_has_the_prior_of_one_that_never_moves_it(names, part):
    five, own, _ = points_of(names, 12)
    covariances, trends = [], []
    for space, X in ((GRAVITY_TABLE, five), (space_of(names), own)):
        kernel, mean = getattr(descriptions_of(frame_of(space))[0], part)
        Z = kernel.in_coordinates(Inputs(X)).values
        r2 = sum(
            ((Z[:, None, j] - Z[None, :, j]) / np.exp(ln)) ** 2
            for j, ln in enumerate(kernel.length_scale.center)
        )
        # The trend apart from its level, and the squared distances on which the rest depends.
        slopes = mean.features(Z)[:, 1:]
        slopes = slopes - slopes[0]
        covariances.append(np.stack([r2, slopes @ slopes.T]))
        trends.append(mean.expected(Z) - mean.expected(Z)[0])
    np.testing.assert_allclose(covariances[0], covariances[1], atol=1e-9)
    np.testing.assert_allclose(trends[0], trends[1], atol=1e-9)


@pytest.mark.parametrize("names", SUBSETS)
def test_the_classifier_sees_absent_settings_as_constant(names):
    five, own, _ = points_of(names)
    distances = []
    for space, X in ((GRAVITY_TABLE, five), (space_of(names), own)):
        state = deck_state_of(deck_coordinates_of(space)).members[0][1]
        A = state.coordinates(X) / (state.lengthscale * np.sqrt(X.shape[1]))
        distances.append(np.sum((A - A[0]) ** 2, axis=1))
    np.testing.assert_allclose(*distances, atol=1e-9)


def test_a_deck_with_all_five_settings_has_the_figures_as_written():
    assert SHARPNESS.kept(ALL) == SHARPNESS
    assert BALANCE.kept(ALL) == BALANCE
    state = deck_state_of(ALL).members[0][1]
    assert state.coordinates.scale == COUPLED_SCALE
    assert state.lengthscale == DeckState().lengthscale


def test_a_further_setting_has_the_length_scale_of_a_setting_and_the_material_its_own():
    space = space_of(COUPLED, RIFFLES)
    for description in descriptions_of(frame_of(space, inputs=7))[:2]:
        for kernel, _ in (description.first, description.second):
            assert kernel.length_scale.center[0] == SETTING_LENGTH
            assert kernel.length_scale.center[-1] == MATERIAL_LENGTH


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("side_tilt", "air"), ["a moving cut explains it"]),
        (
            ("feed_rate", "air"),
            [
                "depth of the bed and a moving cut explain it",
                "the settings act together by bed, but in a way of its own",
            ],
        ),
        (("feed_rate", "side_tilt"), ["depth of the bed and a moving cut explain it"]),
        (
            ("eccentric_speed", "air"),
            [
                "depth of the bed, exposure and a moving cut explain it",
                "the settings act together by bed and exposure, but in a way of its own",
            ],
        ),
        (("air",), ["a few gentle curves explain it"]),
    ],
)
def test_descriptions_name_only_what_the_settings_of_the_deck_can_change(names, told):
    # Without travel there is one exposure, and without feed rate and travel one depth of the bed.
    says = [d.says for d in descriptions_of(frame_of(space_of(names)))]
    assert says[:-3] == told
    assert says[-3] == "each setting has an effect of its own, and some act jointly"


@pytest.mark.parametrize("runs", [3, 8, 40])
@pytest.mark.parametrize("still", [1, 2, 3])
def test_settings_that_never_moved_break_nothing_and_leave_their_effect_unknown(runs, still):
    rng = np.random.default_rng(runs)
    space = space_of(("side_tilt", "eccentric_speed", "air"))
    X = rng.random((runs, 3))
    X[:, :still] = 0.4
    wanted = 2.5 + X[:, 2] - 3.0 * (X[:, 2] - 0.5) ** 2 + 0.05 * rng.standard_normal(runs)
    grade = np.full(runs, 2.0) + 0.05 * rng.standard_normal(runs)
    model = Surrogate(space.names, coordinates=deck_coordinates_of(space), members=2)
    model.fit(X, RunReadings.from_logits(grade, wanted, 0.01, 0.01), logit(0.8))
    assert sum(one.weight for one in model.favored_.each) == pytest.approx(1.0)
    near = np.vstack([X[0], X[0]])
    near[1, 0] = 1.0
    found = model.predict(near, logit(0.8)).recovery
    assert np.all(np.isfinite([found.mean, found.low, found.high]))
    assert abs(found.mean[0] - expit(wanted[0])) < 0.05
    # Tilt never moved: far from where it stood, much more is open.
    width = found.high - found.low
    assert width[1] > 1.5 * width[0]
