"""Coordinates of grade and recovery, and of the settings, against their formulas written out."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit, logit
from uncertainties import correlated_values, covariance_matrix, umath

from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.mean import PER_UNIT
from optimizer.gaussian_process.replicates import Groups
from optimizer.gaussian_process.solvers import EXACT
from optimizer.measurement import RunReadings
from optimizer.model.coordinates import (
    GUESS_WORST_UNWANTED,
    MOST_UNWANTED,
    LatentReadings,
    PairReadings,
    blocks_of_latent,
    chance_moments,
    from_latent,
    guess_feed_odds,
    latent_of,
    logit_slopes,
    logits_of,
    to_latent,
    unwanted_limit,
)
from optimizer.model.deck_coordinates import DeckCoordinates, deck_coordinates_of
from optimizer.model.deck_prior import (
    BALANCE,
    CONTRAST_RATIO,
    COUPLED_LENGTH_SD,
    FARTHEST_CUT,
    LEAST_STEEPNESS,
    MATERIAL_LENGTH,
    OTHER_SLOPE,
    SHARPNESS,
    Frame,
    Steepness,
    cut_of,
    descriptions_of,
    processes_of,
    share_process_of,
)
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace

# -- grade and recovery ---------------------------------------------------------------------------

ODDS = 1.2


def outcome(s, c):
    """Logits of grade and recovery, written with the shares p_w and p_u."""
    w, u = (1.0 / (1.0 + np.exp(-0.5 * x)) for x in (c + s, c - s))
    f = expit(ODDS)
    grade = f * w / (f * w + (1.0 - f) * u)
    return np.array([logit(grade), logit(w)])


def test_grade_and_recovery_follow_from_the_shares():
    wanted = outcome(3.0, 1.0)
    np.testing.assert_allclose(logits_of(3.0, 1.0, ODDS), wanted)
    np.testing.assert_allclose(from_latent(3.0, 1.0, ODDS), expit(wanted))
    np.testing.assert_allclose(to_latent(*wanted, ODDS), (3.0, 1.0))


def test_slopes_of_the_logits_are_those_of_differences():
    h = 1e-6
    by_s = (outcome(3.0 + h, 1.0) - outcome(3.0 - h, 1.0)) / (2 * h)
    by_c = (outcome(3.0, 1.0 + h) - outcome(3.0, 1.0 - h)) / (2 * h)
    of_grade, of_recovery = logit_slopes(expit(2.0), expit(-1.0))
    np.testing.assert_allclose(of_grade, [by_s[0], by_c[0]], rtol=1e-6)
    np.testing.assert_allclose(of_recovery, [by_s[1], by_c[1]], rtol=1e-6)


def test_an_impossible_reading_is_taken_as_nearly_all_of_the_unwanted():
    """With 98 % of the wanted and a grade below that of the feed, p_u would be above 1."""
    S, C = to_latent(logit(0.5), logit(0.98), logit(0.9))
    assert pytest.approx(logit(MOST_UNWANTED)) == 0.5 * (C - S)
    assert pytest.approx(logit(0.98)) == 0.5 * (C + S)


def test_a_guessed_feed_makes_the_worst_run_lose_as_much_of_the_unwanted_as_stated():
    grade, recovery = np.array([0.9, 0.95]), np.array([0.8, 0.99])
    odds = guess_feed_odds(logit(grade), logit(recovery))
    shares = np.exp(odds) * recovery * (1.0 - grade) / grade
    assert shares.max() == pytest.approx(GUESS_WORST_UNWANTED)


def test_errors_of_readings_are_carried_to_sharpness_and_balance():
    """Source: the package ``uncertainties``, linear propagation."""
    covariance = np.array([[0.04, -0.01, 0.004], [-0.01, 0.03, 0.002], [0.004, 0.002, 0.05]])
    g, r, f = correlated_values([3.0, 1.5, 1.2], covariance)
    log_w = -umath.log(1 + umath.exp(-r))
    log_u = log_w + f - g
    b = log_u - umath.log(1 - umath.exp(log_u))
    wanted = np.array(covariance_matrix([r - b, r + b]))
    readings = SimpleNamespace(
        grade_logit=np.array([3.0]),
        recovery_logit=np.array([1.5]),
        grade_variance=np.array([0.04]),
        recovery_variance=np.array([0.03]),
        feed_variance=np.array([0.05]),
        grade_recovery_covariance=np.array([-0.01]),
        grade_feed_covariance=np.array([0.004]),
        recovery_feed_covariance=np.array([0.002]),
    )
    found = latent_of(readings, 1.2)
    assert (found.sharpness[0], found.balance[0]) == pytest.approx(
        ((r - b).nominal_value, (r + b).nominal_value)
    )
    assert found.sharpness_variance[0] == pytest.approx(wanted[0, 0])
    assert found.balance_variance[0] == pytest.approx(wanted[1, 1])
    assert found.covariance[0] == pytest.approx(wanted[0, 1])


TURN = np.array([[1.0, -1.0], [1.0, 1.0]])  # S = P - Q, C = P + Q


def test_covariances_of_shares_become_those_of_sharpness_and_balance():
    n, m = 3, 2
    cross = np.random.default_rng(1).standard_normal((2 * n, 2 * m))
    wanted = np.kron(TURN, np.eye(n)) @ cross @ np.kron(TURN, np.eye(m)).T
    np.testing.assert_allclose(blocks_of_latent(cross), wanted)


@pytest.mark.parametrize("apart", [False, True])
def test_readings_of_two_processes_with_their_errors_and_doubts(apart):
    rng = np.random.default_rng(2)
    S, C = rng.standard_normal((2, 4))
    roots = rng.standard_normal((4, 2, 2))
    errors, doubt = roots @ roots.transpose(0, 2, 1), 0.1 * np.eye(2) + 0.01 * np.ones((4, 2, 2))
    latent = LatentReadings(S, C, errors[:, 0, 0], errors[:, 1, 1], errors[:, 0, 1], doubt)
    found = PairReadings.of(latent, apart)
    back = np.linalg.inv(TURN) if apart else np.eye(2)
    np.testing.assert_allclose([found.first, found.second], back @ np.array([S, C]))
    own = back @ errors @ back.T
    np.testing.assert_allclose(found.first_variance, own[:, 0, 0])
    np.testing.assert_allclose(found.second_variance, own[:, 1, 1])
    np.testing.assert_allclose(found.covariance, own[:, 0, 1])
    more = (back @ doubt @ back.T)[:, [0, 1, 0], [0, 1, 1]].T
    np.testing.assert_allclose(found.doubt, more)
    groups = Groups.of(np.array([[0.0], [1.0], [0.0], [0.0]]), np.array([1.0, 1.0, 0.5, 1.0]))
    weight, rows = np.array([1.0, 0.5, 1.0]), [0, 2, 3]
    y = np.array([found.first, found.second])[:, rows]
    off = y - (y @ weight / 2.5)[:, None]
    products = [off[0] ** 2, off[1] ** 2, off[0] * off[1]]
    wanted = [np.sum(weight * (p + d[rows])) for p, d in zip(products, more, strict=True)]
    np.testing.assert_allclose(found.scatter(groups)[:, 0], wanted)
    none = PairReadings.of(replace(latent, doubt=None), apart)
    assert not none.doubt.any()


def test_effects_of_time_are_taken_off_and_rows_are_picked():
    latent = LatentReadings(*np.arange(10.0).reshape(5, 2))
    effects = SimpleNamespace(of_runs=np.array([[1.0, 2.0], [3.0, 4.0]]), doubt=np.ones((2, 2, 2)))
    off = latent.without(effects)
    assert (off.sharpness.tolist(), off.balance.tolist()) == ([-1.0, -1.0], [-1.0, -1.0])
    assert off.doubt is effects.doubt
    assert latent.without(None) is latent
    picked = off.take(np.array([False, True]))
    assert (picked.sharpness.tolist(), picked.covariance.tolist()) == ([-1.0], [9.0])
    assert picked.doubt.shape == (1, 2, 2)
    assert latent.take(np.array([True, False])).doubt is None


def test_the_spread_of_the_shares_follows_from_that_of_sharpness_and_balance():
    """S of variance 0.5, C = 0.7 S + dC with a variance of dC of 0.3, as a matrix."""
    of_latent = np.array([[0.5, 0.35], [0.35, 0.3 + 0.49 * 0.5]])
    back = np.linalg.inv(TURN)
    a, b = back @ of_latent @ back.T
    sd, slope, rest = chance_moments(0.5, 0.3, 0.7)
    assert (sd, slope, rest) == pytest.approx(
        (np.sqrt(a[0]), a[1] / a[0], np.sqrt(b[1] - a[1] ** 2 / a[0]))
    )
    assert chance_moments(0.5, 0.3) == chance_moments(0.5, 0.3, 0.0)


@pytest.mark.parametrize("grade", [0.95, 0.999])
def test_at_the_limit_of_the_unwanted_the_grade_is_met_exactly(grade):
    b = float(unwanted_limit(np.array(1.5), grade, ODDS))
    assert expit(outcome(1.5 - b, 1.5 + b)[0]) == pytest.approx(grade)
    assert np.isinf(unwanted_limit(np.array(9.0), 0.7, ODDS))


# -- settings -------------------------------------------------------------------------------------

LOW = dict(zip(GRAVITY_TABLE.names, GRAVITY_TABLE.low, strict=True))
HIGH = dict(zip(GRAVITY_TABLE.names, GRAVITY_TABLE.low + GRAVITY_TABLE.span, strict=True))


def coordinates(unit):
    """The table of the module, written out: logarithms of travel, lift and pull."""
    x = {n: LOW[n] + u * (HIGH[n] - LOW[n]) for n, u in zip(GRAVITY_TABLE.names, unit, strict=True)}
    feed, tilt, speed = (np.log(x[n]) for n in ("feed_rate", "side_tilt", "eccentric_speed"))
    raised = np.log(x["end_raise"] + 0.1 * HIGH["end_raise"])
    air = np.log(x["air"] + 0.05 * HIGH["air"])
    travel = speed + raised
    bed = feed - travel
    return np.array([bed, -travel, tilt - 2.0 * speed, 2.0 * speed, air - 0.3 * bed])


def test_the_coupled_coordinates_are_the_differences_of_logarithms_about_the_middle():
    view = deck_coordinates_of(GRAVITY_TABLE)
    A = np.random.default_rng(3).random((4, 6))
    wanted = [0.5 + coordinates(x[:5]) - coordinates(np.full(5, 0.5)) for x in A]
    np.testing.assert_allclose(view(A)[:, :5], wanted, atol=1e-12)
    np.testing.assert_array_equal(view(A)[:, 5], A[:, 5])
    scaled = replace(view, scale=(1.0, 2.0, 3.0, 4.0, 5.0))
    factors = np.arange(1.0, 6.0)
    np.testing.assert_allclose(scaled(A)[:, :5], 0.5 + factors * (np.array(wanted) - 0.5))
    assert view.moving == ("bed", "exposure")
    assert view.coupled


def test_contrasts_of_gates_become_relative_to_their_level():
    """Two gates of air between 10 and 60: at a level of 35 + 3 (for leaks) a taper of 0.1 of the
    range of 50 is 5 / 38."""
    view = DeckCoordinates(
        ("eccentric_speed", "air"), (0, 1), (300.0, 10.0), (600.0, 60.0), contrasts=((2, 1),)
    )
    A = np.array([[0.2, 0.5, 0.6], [0.2, 0.5, 0.5]])
    assert view(A)[:, 2].tolist() == pytest.approx([0.5 + 5.0 / 38.0, 0.5])
    scaled = replace(view, scale=(3.0, 2.0))
    assert scaled(A)[0, 2] == pytest.approx(0.5 + 2.0 * 5.0 / 38.0)


def test_a_deck_that_lacks_settings_keeps_the_coordinates_of_the_others():
    def of(*names):
        return deck_coordinates_of(
            SettingSpace(tuple(s for s in GRAVITY_TABLE.settings if s.name in names))
        )

    assert of("air") is None
    pair = of("feed_rate", "air")
    assert (pair.names, pair.columns, pair.moving) == (("feed_rate", "air"), (0, 1), ("bed",))
    # The air needed grows by 0.3 of the bed, so that its row has two entries.
    np.testing.assert_allclose(pair.rows, [[1.0, 0.0], [-0.3, 1.0]])
    assert pair.coupled
    alone = of("side_tilt", "air")
    assert (alone.moving, alone.coupled) == ((), False)
    np.testing.assert_allclose(alone.followed[[2, 4]], np.eye(2))
    speed = of("eccentric_speed", "air")
    # Bed and exposure follow the stroke, which is two logarithms of the speed.
    assert speed.moving == ("bed", "exposure")
    np.testing.assert_allclose(speed.followed[:3, 0], [-0.5, -0.5, -1.0])
    nothing = Setting("air", "turn", -5.0, 0.0, 1.0)
    settings = tuple(s if s.name != "air" else nothing for s in GRAVITY_TABLE.settings)
    assert "air" not in deck_coordinates_of(SettingSpace(settings)).names


# -- what is expected before any run --------------------------------------------------------------


def frame(coordinates=None, inputs=6, groupings=(), contrasts=()):
    return Frame(GRAVITY_TABLE.names, inputs, coordinates, groupings, EXACT, 7, contrasts)


def test_contrasts_share_the_length_scale_of_their_level_and_are_its_parts():
    """Level 1 with a taper and a bow, level 3 with a taper, and what is left of degree 5."""
    made = frame(contrasts=((2, 1, 1), (4, 1, 2), (5, 3, 5)))
    assert made.own == [0, 1, 3]
    assert made.shared.which == (0, 1, 1, 2, 1, 2)
    taper, bow, rest = CONTRAST_RATIO
    assert made.shared.ratio == (1.0, 1.0, taper, 1.0, bow, rest)
    assert [(p.level, p.contrasts) for p in made.parts] == [(1, (2, 4)), (3, (5,))]
    assert frame().shared is None
    assert frame().parts == ()


def names(coordinates):
    return [d.name for d in descriptions_of(frame(coordinates))]


def test_the_descriptions_that_compete_depend_on_what_the_settings_can_do():
    whole = deck_coordinates_of(GRAVITY_TABLE)
    assert names(whole) == ["coupled", "loose", "single", "joint", "shares"]
    assert names(None) == ["smooth", "single", "joint", "shares"]
    tilt_and_air = SettingSpace(
        tuple(s for s in GRAVITY_TABLE.settings if s.name in ("side_tilt", "air"))
    )
    alone = deck_coordinates_of(tilt_and_air)
    made = Frame(tilt_and_air.names, 2, alone, (), EXACT, 0)
    assert [d.name for d in descriptions_of(made)] == ["coupled", "single", "joint", "shares"]
    found = {d.name: d for d in descriptions_of(frame(whole))}
    assert [d.name for d in found.values() if d.cut] == ["coupled"]
    assert [d.name for d in found.values() if d.apart] == ["shares"]
    assert not any(d.alone for d in found.values())
    for name, (kernel, _) in ((n, each) for n, d in found.items() for each in (d.first, d.second)):
        assert (kernel.coordinates is whole) is (name in ("coupled", "loose"))
        assert (kernel.additive > 0.0) is (name in ("single", "loose"))
    trends = {n: (d.first[1].trend, d.second[1].trend) for n, d in found.items()}
    assert trends == {
        "coupled": ("linear", "linear"),
        "loose": ("constant", "linear"),
        "single": ("constant", "linear"),
        "joint": ("constant", "constant"),
        "shares": ("linear", "linear"),
    }
    levels = {n: (d.first[1].level is None, d.second[1].level is None) for n, d in found.items()}
    assert levels == {
        "coupled": (False, False),
        "loose": (False, True),
        "single": (False, True),
        "joint": (True, True),
        "shares": (True, True),
    }


def test_coupled_processes_have_the_stated_slopes_and_length_scales():
    """The sixth input is material: no slope of its own, and a long length scale."""
    whole = deck_coordinates_of(GRAVITY_TABLE)
    coupled = descriptions_of(frame(whole))[0]
    for belief, (kernel, mean) in ((SHARPNESS, coupled.first), (BALANCE, coupled.second)):
        assert mean.slopes == (*belief.slopes, 0.0)
        sds = np.array([*belief.slope_sds, OTHER_SLOPE])
        np.testing.assert_allclose(mean.variance, (sds / PER_UNIT) ** 2)
        assert kernel.length_scale.center[:5] == pytest.approx(belief.lengths)
        assert kernel.length_scale.center[5] == MATERIAL_LENGTH
        assert kernel.length_scale.sd == COUPLED_LENGTH_SD
        assert kernel.variance.center == belief.variance


def test_a_deck_that_never_moves_some_settings_has_the_prior_of_one_that_lacks_them():
    """With air and speed alone, bed, exposure and tilt follow the stroke by -1/2, -1/2 and -1."""
    two = SettingSpace(
        tuple(s for s in GRAVITY_TABLE.settings if s.name in ("eccentric_speed", "air"))
    )
    kept = SHARPNESS.kept(deck_coordinates_of(two))
    f = np.array([-0.5, -0.5, -1.0, 1.0])
    inverse = sum(f[k] ** 2 * np.exp(-2.0 * SHARPNESS.lengths[k]) for k in range(4))
    assert kept.lengths[0] == pytest.approx(-0.5 * np.log(inverse))
    variance = sum(f[k] ** 2 * SHARPNESS.slope_sds[k] ** 2 for k in range(4))
    assert kept.slope_sds[0] == pytest.approx(np.sqrt(variance))
    assert kept.slopes[0] == pytest.approx(f @ SHARPNESS.slopes[:4])
    assert kept.variance == SHARPNESS.variance


def test_processes_get_the_groups_the_seed_and_the_members():
    single = descriptions_of(frame(groupings=(LINES, LABELS)))[1]
    both = processes_of(single, frame(groupings=(LINES, LABELS)), 5)
    assert [gp.random_state for gp in both] == [7, 8]
    for gp, (kernel, mean) in zip(both, (single.first, single.second), strict=True):
        assert gp.kernel == replace(kernel, groupings=(LINES, LABELS))
        assert (gp.mean, gp.scale, gp.hyperparameters.members) == (mean, "center", 5)
    alone = processes_of(replace(single, alone=True), frame(groupings=(LINES, LABELS)), 1)
    assert alone[0].kernel.groupings == (LINES.alone, LABELS.alone)
    assert LABELS.alone != LABELS
    share = share_process_of(frame(deck_coordinates_of(GRAVITY_TABLE), groupings=(LINES,)))
    assert (share.kernel.groupings, share.random_state, share.scale) == ((LINES,), 7, "center")
    assert share.kernel.coordinates is not None
    assert share.kernel.additive > 0.0


def test_the_cut_is_the_balance_over_the_steepness_within_its_limit():
    weighed = Kernel(weight=len)
    S, C = np.array([1.5, -2.0, 1.5]), np.array([1.0, 0.2, -99.0])
    wanted = [1.0 / (1.5 + LEAST_STEEPNESS), 0.2 / LEAST_STEEPNESS, -FARTHEST_CUT]
    np.testing.assert_allclose(cut_of(weighed, S, C), wanted)
    assert cut_of(weighed, S[:1], np.array([99.0]))[0] == FARTHEST_CUT
    assert not cut_of(Kernel(), S, C).any()
    readings = SimpleNamespace(center=1.0, spread=2.0)
    posteriors = [
        SimpleNamespace(mean=lambda A, k=k: np.atleast_2d(k * A.values[:, 0]), readings=readings)
        for k in (1.0, 3.0)
    ]
    found = Steepness(tuple(posteriors))(np.array([[0.5], [-9.0]]))
    np.testing.assert_allclose(found, [1.0 + 2.0 * 1.0 + LEAST_STEEPNESS, LEAST_STEEPNESS])


def test_shares_as_readings_have_no_errors_unless_they_are_stated():
    """The readings that other tests here build by hand are those of ``RunReadings``."""
    made = RunReadings.from_logits(np.array([3.0]), np.array([1.5]))
    found = latent_of(made, 1.2)
    assert (found.sharpness_variance[0], found.covariance[0]) == (0.0, 0.0)
