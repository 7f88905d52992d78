"""Parts of a diagnosis by hand: what is counted, where limits are, and which numbers meet."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from scipy import stats
from scipy.special import expit, logit

from optimizer.diagnostics import calibration, doubtful, left_out, noise, unexplored
from optimizer.diagnostics.calibration import Calibration, coverage_by_level, pooled, reliability
from optimizer.diagnostics.control_chart import out_of_line
from optimizer.diagnostics.doubtful import DOUBTFUL_FROM, Residuals, residuals
from optimizer.diagnostics.left_out import LeftOut
from optimizer.diagnostics.noise import ReadingNoise, _f_test, split_noise
from optimizer.diagnostics.sensitivity import (
    ANCHORS,
    SURFACES,
    handy_amount,
    sensitivity,
    sobol_indices,
)
from optimizer.diagnostics.unexplored import collinear, plan_sampling, untried_ranges
from optimizer.plant.region import Region
from optimizer.plant.settings import Setting, SettingSpace


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.diagnostics.unexplored.WIDE_GAP", 0.2)
    monkeypatch.setattr("optimizer.diagnostics.unexplored.INFLATED", 10.0)
    monkeypatch.setattr("optimizer.diagnostics.unexplored.TOGETHER", 0.9)
    monkeypatch.setattr("optimizer.diagnostics.unexplored.KNOWN_FROM", 0.5)
    monkeypatch.setattr("optimizer.diagnostics.unexplored.MORE_RUNS", 8)


# -- calibration ----------------------------------------------------------------------------------


def test_stated_chances_are_judged_in_fifths_by_how_often_they_came_true():
    """0.1 and 0.19 came true once, 0.2 and 0.3 never, 1.0 twice: gaps |0.145 - 0.5|, 0.25, 0."""
    found = reliability(np.array([0.1, 0.19, 0.2, 0.3, 1.0, 1.0]), np.array([1.0, 0, 0, 0, 1, 1]))
    told = [(b.stated, b.observed.mean, b.n) for b in found.bins]
    assert told == [
        pytest.approx(each) for each in ((0.145, 0.5, 2), (0.25, 0.0, 2), (1.0, 1.0, 2))
    ]
    assert found.gap == pytest.approx((2 * 0.355 + 2 * 0.25) / 6)
    # Jeffreys' interval of one hit among two (scipy).
    beta = stats.beta(1.5, 1.5)
    assert found.bins[0].observed.low == pytest.approx(beta.ppf(0.05))
    assert found.bins[0].observed.high == pytest.approx(beta.ppf(0.95))
    assert reliability(np.zeros(0), np.zeros(0)) == calibration.Reliability((), None)


def calibrated(points, grade, width, chance, met):
    covered = {"grade": (1, 2, 3, 4, grade, 5), "recovery": (0, 0, 0, 0, 2, 3)}
    return Calibration(
        {"grade": grade, "recovery": 2}, {"grade": width, "recovery": 0.5}, covered,
        np.array(chance), np.array(met), points,
    )  # fmt: skip


def test_lines_are_pooled_by_their_set_points():
    both = [calibrated(5, 4, 0.2, [0.9], [1.0]), calibrated(15, 12, 0.4, [0.7, 0.1], [1.0, 0.0])]
    found = pooled(both)
    assert found.set_points == 20
    assert found.grade.share.mean == 16 / 20
    assert found.grade.mean_width == pytest.approx((5 * 0.2 + 15 * 0.4) / 20)
    assert found.recovery.share.mean == 4 / 20
    assert sum(b.n for b in found.chance_of_grade.bins) == 3
    assert pooled([]).grade is None
    assert pooled([]).as_dict()["grade"]["coverage"] is None


def test_coverage_is_told_at_each_level():
    found = coverage_by_level(calibrated(5, 4, 0.2, [], []))
    assert [each.nominal for each in found] == list(calibration.LEVELS)
    assert [each.grade.mean for each in found] == [0.2, 0.4, 0.6, 0.8, 0.8, 1.0]
    assert [each.recovery.mean for each in found] == [0, 0, 0, 0, 0.4, 0.6]
    assert found[-1].grade.high == 1.0
    assert found[0].recovery.low == 0.0
    assert coverage_by_level(calibrated(0, 0, 0.0, [], [])) == ()


def test_mean_readings_of_each_set_point_are_compared_with_their_prediction(monkeypatch):
    """Two set-points, of two runs and of one; a run in between has no reading."""
    asked = []

    def predicted(left, odds, errors, counts, seed):
        asked.append((left, odds.tolist(), errors.tolist(), counts.tolist(), seed))
        draws = np.tile(np.linspace(-1.0, 1.0, 200)[:, None], 2)
        return logit(0.9) + draws, draws + np.array([0.0, 5.0])

    monkeypatch.setattr(calibration, "predicted_readings", predicted)
    monkeypatch.setattr(calibration, "without_set_point", lambda model: "left out")
    monkeypatch.setattr(calibration, "set_points_of", lambda m: (np.zeros((2, 1)), [0, 0, 1]))
    readings = SimpleNamespace(
        grade_logit=np.array([3.0, 0.0, 2.6, logit(0.9) - 0.01]),
        recovery_logit=np.array([0.1, 0.0, 0.1, 0.0]),
        outcome_errors=np.array([[0.2, 9, 0.4, 0.5], [0.1, 9, 0.1, 0.3], [0.0, 9, 0.1, 0.2]]),
    )
    evidence = SimpleNamespace(
        measured=np.array([True, False, True, True]),
        feed_odds=np.array([1.0, 9.0, 3.0, 5.0]),
        readings=readings,
    )
    found = calibration.calibrate(SimpleNamespace(evidence=evidence, seed=7), 0.9)
    ((left, odds, errors, counts, seed),) = asked
    assert (left, odds, counts, seed) == ("left out", [2.0, 5.0], [2, 1], 7)
    np.testing.assert_allclose(errors, [[0.15, 0.5], [0.05, 0.3], [0.025, 0.2]])
    assert found.points == 2
    # A mean grade of 2.8 is 0.6 above the prediction, inside the intervals of 70 % and more.
    assert found.covered["grade"] == (1, 1, 2, 2, 2, 2)
    assert found.covered["recovery"] == (1, 1, 1, 1, 1, 1)
    assert found.inside == {"grade": 2, "recovery": 1}
    width = expit(logit(0.9) + 0.9) - expit(logit(0.9) - 0.9)
    assert found.width["grade"] == pytest.approx(width)
    assert found.met.tolist() == [1.0, 0.0]
    assert found.chance.tolist() == [0.5, 0.5]


def test_days_beyond_three_standard_deviations_are_out_of_line():
    """Moving ranges 0, 0, 0, d, d: mean 0.4 d, so that three standard deviations are 1.06 d; with
    12 values they are 0.48 d."""
    assert out_of_line(np.array([0.0, 0, 0, 0, 9, 0])).tolist() == [False] * 6
    values = np.zeros(12)
    values[5] = 9.0
    assert np.flatnonzero(out_of_line(values)).tolist() == [5]
    assert out_of_line(np.array([0.0, 99.0])).tolist() == [False, False]
    assert out_of_line(np.array([0.0, 0.0, 1e-9])).tolist() == [False, False, False]
    # Limits are not beyond themselves.
    assert out_of_line(np.zeros(5)).tolist() == [False] * 5


# -- left out, doubtful ---------------------------------------------------------------------------


def test_predictions_are_averaged_by_the_law_of_total_variance():
    """Two members: sharpness 1 and 3 with variance 2 and 4, balance 0 and 1 with 3 and 5,
    covariances 0.5 and 1.5; so variance 3 + 1, covariance 1 + 0.5, variance 4 + 0.25."""
    members = [
        (np.array([[1.0], [0.0]]), np.array([[[2.0, 0.5], [0.5, 3.0]]])),
        (np.array([[3.0], [1.0]]), np.array([[[4.0, 1.5], [1.5, 5.0]]])),
    ]
    surrogate = SimpleNamespace(pairs_=[0, 1], noise_covariance=lambda: "noise")
    found = left_out._averaged(SimpleNamespace(surrogate=surrogate), lambda k: members[k])
    np.testing.assert_allclose(found.mean, [[2.0], [0.5]])
    np.testing.assert_allclose(found.variance, [[4.0], [4.25 - 1.5**2 / 4.0]])
    np.testing.assert_allclose(found.cut, [1.5 / 4.0])
    assert found.noise == "noise"


def test_all_runs_at_the_settings_of_a_set_point_are_left_out_with_it(monkeypatch):
    """Of inputs whose first is a setting and whose second is the material."""
    inputs = np.array([[0.2, 0.1], [0.5, 0.1], [0.2, 0.9], [9.0, 9.0], [0.5, 0.1]])
    evidence = SimpleNamespace(
        inputs=inputs,
        measured=np.array([True, True, True, False, True]),
        space=SimpleNamespace(names=("air",)),
    )
    model = SimpleNamespace(
        evidence=evidence,
        surrogate=SimpleNamespace(share_of_runs_="share"),
        latent_readings=(np.zeros(2), np.ones(2)),
    )
    monkeypatch.setattr(left_out, "_averaged", lambda model, one: one)
    monkeypatch.setattr(left_out, "blocks_out", lambda prior, blocks: (prior, blocks))
    monkeypatch.setattr(left_out, "runs_out", lambda *asked: asked)
    pair = SimpleNamespace(joint_prior=lambda: "prior", own_precision=lambda: "precision")
    prior, blocks = left_out.without_set_point(model)(pair)
    assert prior == "prior"
    assert [block.tolist() for block in blocks] == [[0, 1], [2]]
    precision, group, share, read = left_out.without_run(model)(pair)
    assert (precision, group.tolist(), share) == ("precision", [0, 2, 1, 2], "share")
    assert read.tolist() == [[0, 0], [1, 1]]


def test_residuals_are_of_logits_over_their_errors_on_a_robust_scale(monkeypatch):
    """Sharpness and balance are certain and there is no noise but that of readings, of variance
    0.04: half the residuals are 5 standard deviations, so that the scale is 5 / 0.6745."""
    S, C = np.full(5, 4.0), np.full(5, 1.0)
    known = LeftOut(np.array([S, C]), np.zeros((2, 5)), np.zeros(5), np.zeros((2, 2)))
    monkeypatch.setattr(doubtful, "without_run", lambda model: known)
    recovery = 2.5
    grade = 0.7 + np.log(expit(2.5)) - np.log(expit(-1.5))
    off = np.array([-1.0, 1.0, 0.0, 8.0, -1.0])
    pad = [99.0]
    evidence = SimpleNamespace(
        measured=np.array([True, True, True, True, True, False]),
        feed_odds=np.array([0.7] * 5 + pad),
        readings=SimpleNamespace(
            grade_logit=np.append(grade + off, pad),
            recovery_logit=np.append(recovery + 0.3 + 0.1 * off, pad),
            outcome_errors=np.array([[0.04] * 5 + pad] * 3),
            recovery_variance=np.array([0.04] * 5 + pad),
        ),
    )
    found = residuals(SimpleNamespace(evidence=evidence))
    np.testing.assert_allclose(found.z["grade"], off / 0.2 / (5.0 / 0.6745), atol=1e-9)
    # Those of recovery are all shifted by 0.3, which a drift explains, and scatter about that less
    # than their errors say; the scale is then 1.
    np.testing.assert_allclose(found.z["recovery"], 0.1 * off / 0.2, atol=1e-9)
    np.testing.assert_allclose(found.expected["grade"], expit(grade))
    np.testing.assert_allclose(found.expected["recovery"], expit(recovery))


def test_runs_beyond_the_limit_are_named_with_the_quantity_that_disagrees_more():
    beyond = DOUBTFUL_FROM + 0.5
    z = {
        "grade": np.array([0.0, DOUBTFUL_FROM, -beyond, beyond]),
        "recovery": np.array([-beyond - 1.0, 0.0, 1.0, -1.0]),
    }
    chances = {"grade": np.full(4, 0.9), "recovery": np.array([0.5, 0.6, 0.7, 0.8])}
    logits = logit(np.array([0.1, 0.2, 0.3, 0.4, 0.45]))
    evidence = SimpleNamespace(
        measured=np.array([True, False, True, True, True]),
        readings=SimpleNamespace(grade_logit=logits, recovery_logit=logits + 0.1),
    )
    ids = pa.chunked_array([["a", "b", "c", "d", "e"]])
    found = doubtful.doubtful(SimpleNamespace(evidence=evidence), Residuals(z, chances), ids)
    told = [(d.run, d.run_id, d.quantity, d.z, d.expected) for d in found]
    assert told == [
        (0, "a", "recovery", -beyond - 1.0, 0.5),
        (3, "d", "grade", -beyond, 0.9),
        (4, "e", "grade", beyond, 0.9),
    ]
    assert found[0].read == pytest.approx(float(expit(logit(0.1) + 0.1)))
    assert found[1].read == pytest.approx(0.4)
    assert str(found[0].reason) != str(replace(found[0], z=beyond + 1.0).reason)


# -- noise ----------------------------------------------------------------------------------------


def test_noise_is_carried_from_sharpness_and_balance_to_fractions():
    """By differences of the formulas of grade and recovery (``coordinates.from_latent``)."""
    S, C, odds = 3.0, 1.0, 0.5

    def outcome(s, c):
        a, b = 0.5 * (c + s), 0.5 * (c - s)
        return np.array([expit(odds + np.log(expit(a)) - np.log(expit(b))), expit(a)])

    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    steps = np.array([[1e-5, 0.0], [0.0, 1e-5]])
    slopes = np.array([(outcome(S + s, C + c) - outcome(S - s, C - c)) / 2e-5 for s, c in steps])
    wanted = np.sqrt(np.diag(slopes.T @ covariance @ slopes))
    latent = SimpleNamespace(mean=np.array([[[S + 1.0], [C]], [[S - 1.0], [C]]]))
    evidence = SimpleNamespace(
        feed_odds_today=odds,
        measured=np.array([True, True, True, False]),
        readings=SimpleNamespace(
            grade_variance=np.array([0.01, 0.04, 0.09, 99.0]), recovery_variance=np.zeros(4)
        ),
    )
    surrogate = SimpleNamespace(latent=lambda X: latent, noise_covariance=lambda: covariance)
    model = SimpleNamespace(evidence=evidence, surrogate=surrogate, recent_inputs="recent")
    found = split_noise(model)
    assert (found.grade.process_sd, found.recovery.process_sd) == pytest.approx(tuple(wanted))
    grade = outcome(S, C)[0]
    assert found.grade.sampling_sd == pytest.approx(0.2 * grade * (1.0 - grade))
    assert found.recovery.sampling_sd is None
    assert found.recovery.reading_sd == found.recovery.process_sd
    assert found.recovery.sampling_share is None


def test_sampling_and_process_noise_add_as_variances():
    both = ReadingNoise(0.3, 0.4)
    assert both.reading_sd == pytest.approx(0.5)
    assert both.sampling_share == pytest.approx(0.36)


def test_the_f_test_of_two_sums_of_squares(monkeypatch):
    """A set-point counts at most as one: counts 3 and 1/2 have 1.5 and 2 degrees of freedom."""
    monkeypatch.setattr(noise, "FEWEST_DOF", 1.5)
    counts = np.array([3.0, 0.5])
    asked = np.array([4.0, 6.0]), np.array([1.0, 1.0]), np.array([5.0, 1.0]), counts
    found = _f_test(*asked)
    assert (found.dof, found.replicate_dof) == (1.5, 2.0)
    assert found.ratio == pytest.approx((7.0 / 1.5) / 3.0)
    assert found.p_value == pytest.approx(stats.f.sf(found.ratio, 1.5, 2.0))
    assert _f_test(asked[0], asked[1], np.zeros(2), counts) is None
    monkeypatch.setattr(noise, "FEWEST_DOF", 1.6)
    assert _f_test(*asked) is None
    assert _f_test(asked[0], 2.0 * asked[1], asked[2], counts) is not None
    assert _f_test(asked[0], 2.0 * asked[1], asked[2], np.array([2.5, 0.5])) is None


# -- what was never tried, and sampling -----------------------------------------------------------

SPACE = SettingSpace(
    (
        Setting("feed_rate", "t/h", 1.0, 3.0, 0.1),
        Setting("side_tilt", "deg", 0.0, 4.0, 0.5),
        Setting("air", "turn", 20.0, 60.0, 1.0),
    )
)


def line(settings, measured=None):
    settings = np.asarray(settings, float)
    measured = np.ones(len(settings), bool) if measured is None else np.asarray(measured)
    return SimpleNamespace(
        evidence=SimpleNamespace(space=SPACE, settings=settings, measured=measured), seed=3
    )


def test_the_widest_untried_range_of_each_setting_is_told_the_largest_share_first():
    """Feed: 1.5 to 2.5 of 1 to 3, a half. Tilt: 1 to 1.8 of 1 to 3, 0.4, whatever was tried beyond
    the limits. Air: each gap below a fifth."""
    region = Region.whole(SPACE).narrow("side_tilt", 1.0, 3.0, "asked")
    air = [20.0, 28.0 - 0.1, 35.0, 42.0, 49.0, 56.0, 60.0]
    feed = [1.0, 1.5, 2.5, 3.0, 1.5, 1.5, 1.5]
    tilt = [0.0, 1.8, 2.0, 2.5, 2.5, 4.0, 2.5]
    found = untried_ranges(line(np.column_stack([feed, tilt, air])), region)
    told = [(u.setting, u.unit, u.low, u.high) for u in found]
    assert told == [("feed_rate", "t/h", 1.5, 2.5), ("side_tilt", "deg", 1.0, 1.8)]
    assert [u.share for u in found] == pytest.approx([0.5, 0.4])
    air[1] = 28.0
    found = untried_ranges(line(np.column_stack([feed, tilt, air])), region)
    assert [u.setting for u in found] == ["feed_rate", "side_tilt", "air"]
    fixed = region.narrow("feed_rate", 2.0, 2.0, "asked")
    assert "feed_rate" not in {
        u.setting for u in untried_ranges(line(np.column_stack([feed, tilt, air])), fixed)
    }


def test_settings_that_others_determine_are_named_with_their_inflation():
    """Inflation 1 / (1 - R^2) by least squares (``numpy.linalg.lstsq``)."""
    rng = np.random.default_rng(2)
    feed, tilt = rng.uniform(1, 3, 20), rng.uniform(0, 4, 20)
    air = 20.0 + 8.0 * feed + 4.0 * tilt + 0.8 * rng.standard_normal(20)
    settings = np.column_stack([feed, tilt, air])
    found = collinear(line(np.vstack([settings, [[9, 9, -99]]]), [True] * 20 + [False]))
    names = [c.setting for c in found]
    assert "air" in names
    for c in found:
        j = SPACE.names.index(c.setting)
        others = np.column_stack([np.ones(20), np.delete(settings, j, axis=1)])
        rest = settings[:, j] - others @ np.linalg.lstsq(others, settings[:, j], rcond=None)[0]
        assert c.inflation == pytest.approx(np.var(settings[:, j]) / np.mean(rest**2), rel=1e-6)
        correlations = np.corrcoef(settings.T)[j]
        k = SPACE.names.index(c.other)
        assert k == max((k for k in range(3) if k != j), key=lambda k: abs(correlations[k]))
        assert c.correlation == pytest.approx(correlations[k])


@pytest.mark.parametrize(("runs", "told"), [(3, False), (4, True)])
def test_two_settings_that_moved_as_one_have_no_inflation(runs, told):
    """Two settings that moved, and one that did not: four runs are the fewest that tell."""
    k = np.arange(runs) ** 2
    found = collinear(line(np.column_stack([1.0 + 0.1 * k, 0.0 * k, 60.0 - k])))
    assert [(c.setting, c.other) for c in found] == (
        [("feed_rate", "air"), ("air", "feed_rate")] if told else []
    )
    for c in found:
        assert c.inflation is None
        assert c.correlation == pytest.approx(-1.0)
        assert c.as_dict()["with"] == c.other
    assert collinear(line(np.column_stack([1.0 + k, 0.0 * k, 0.0 * k]))) == ()


def test_further_sampling_is_compared_by_the_width_of_recovery(monkeypatch):
    """The variance of recovery's logit is 0.04 now, 1 before any run, 0.01 after spread runs, 0.02
    after repeats, and 0.09 with larger samples, which then are no gain."""
    asked = {}

    class Moments:
        mean = (np.full(2, 2.0), np.full(2, 1.0))

        def unread(self):
            return "unread"

    class Pair:
        first = SimpleNamespace(
            readings=SimpleNamespace(
                counts=np.array([1.0, 3.0, 2.0]), X=np.array([[0.1], [0.3], [0.2]])
            )
        )

        def moments(self, A):
            asked["pool"] = A.values
            return Moments()

        def with_larger_samples(self, times):
            asked["times"] = times
            return SimpleNamespace(moments=lambda A: "larger")

    def variance(pair, moments, drawn=None):
        if moments == "larger":
            return np.array([0.09, 0.03])
        return np.full(2, 1.0 if moments == "unread" else {None: 0.04}.get(drawn, drawn))

    def drawn(pair, moments, X):
        asked.setdefault("more", []).append(X.values)
        return [0.01, 0.02][len(asked["more"]) - 1]

    monkeypatch.setattr(unexplored, "_of_recovery", variance)
    monkeypatch.setattr(unexplored, "_drawn", drawn)
    model = line([[1.0, 0.0, 20.0]])
    model.evidence.inputs_today = lambda index: SPACE.to_unit(SPACE.values(index))
    model.surrogate = SimpleNamespace(pairs_=[Pair()])
    found = plan_sampling(model, Region.whole(SPACE))
    recovery = expit(1.5)
    width = 1.645 * recovery * (1.0 - recovery)
    assert found.now == pytest.approx(0.2 * width)
    assert found.known_share == 1.0
    larger = width * np.mean([0.2, np.sqrt(0.03)])
    assert [o.half_width for o in found.options] == pytest.approx(
        [0.1 * width, np.sqrt(0.02) * width, larger]
    )
    spread, repeats = asked["more"]
    assert (len(spread), len(asked["pool"])) == (8, unexplored.POOL)
    assert repeats.tolist() == [[0.3], [0.2], [0.1], [0.3], [0.2], [0.1], [0.3], [0.2]]
    assert asked["times"] == unexplored.MORE_COUNTS
    again = Region.whole(SPACE).sample(8, np.random.default_rng(4))
    np.testing.assert_array_equal(spread, SPACE.to_unit(SPACE.values(again)))


@pytest.mark.parametrize(("now", "share"), [(0.25, 1.0), (0.26, 0.0)])
def test_settings_are_known_where_the_runs_halve_the_deviation(monkeypatch, now, share):
    moments = SimpleNamespace(mean=(np.zeros(2), np.zeros(2)), unread=lambda: "unread")
    pair = SimpleNamespace(
        first=SimpleNamespace(readings=SimpleNamespace(counts=np.ones(1), X=np.zeros((1, 3)))),
        moments=lambda A: moments,
        with_larger_samples=lambda times: SimpleNamespace(moments=lambda A: moments),
    )
    monkeypatch.setattr(
        unexplored,
        "_of_recovery",
        lambda pair, m, drawn=None: np.full(2, 1.0 if m == "unread" else now),
    )
    monkeypatch.setattr(unexplored, "_drawn", lambda *asked: None)
    model = line([[1.0, 0.0, 20.0]])
    model.evidence.inputs_today = lambda index: SPACE.values(index)
    model.surrogate = SimpleNamespace(pairs_=[pair])
    assert plan_sampling(model, Region.whole(SPACE)).known_share == share


# -- sensitivity ----------------------------------------------------------------------------------


def test_slopes_and_indices_are_those_of_a_known_surface():
    """Grade 0.2 feed + 0.1 tilt in unit coordinates; recovery -0.4 air. Feed was tried over half of
    its range and tilt over all of it, so that their effects are alike."""
    asked = []

    class Surfaces:
        def outcome(self, inputs, odds):
            assert odds == 0.4
            unit = inputs - 1.0
            return (
                np.tile(0.2 * unit[:, 0] + 0.1 * unit[:, 1], (SURFACES, 1)),
                np.tile(-0.4 * unit[:, 2], (SURFACES, 1)),
            )

    model = line([[1.5, 0.0, 30.0], [2.5, 4.0, 50.0], [3.0, 4.0, 60.0]], [True, True, False])
    model.evidence.feed_odds_today = 0.4
    model.evidence.inputs_at_unit = lambda unit: unit + 1.0
    model.recent_settings = np.array([2.0, 1.0, 40.0])
    model.surfaces = lambda points, number: (asked.append((points, number)), Surfaces())[1]
    found = sensitivity(model)
    assert found.names == SPACE.names
    np.testing.assert_allclose(found.low, [1.5, 0.0, 30.0])
    np.testing.assert_allclose(found.high, [2.5, 4.0, 50.0])
    slopes = [e.slope.mean for e in found.effects["grade"]]
    assert slopes == pytest.approx([0.2 / 2.0, 0.1 / 4.0, 0.0])
    slopes = [e.slope.mean for e in found.effects["recovery"]]
    assert slopes == pytest.approx([0.0, 0.0, -0.4 / 40.0])
    first = [e.first.mean for e in found.effects["grade"]]
    assert first == pytest.approx([0.5, 0.5, 0.0], abs=0.02)
    assert [e.total.mean for e in found.effects["recovery"]] == pytest.approx([0, 0, 1], abs=0.02)
    assert [p.mean for p in found.pairs["recovery"]] == pytest.approx([0, 0, 0], abs=0.02)
    ((points, number),) = asked
    assert (len(points), number) == (ANCHORS + 6, SURFACES)
    unit = points[:ANCHORS] - 1.0
    np.testing.assert_allclose(unit.min(axis=0), [0.25, 0.0, 0.25], atol=0.02)
    np.testing.assert_allclose(unit.max(axis=0), [0.75, 1.0, 0.75], atol=0.02)


@pytest.mark.parametrize(
    ("span", "amount"),
    [(0.1, 0.1), (0.99, 0.1), (1.0, 1.0), (9.9, 1.0), (10.0, 1.0), (99.0, 1.0), (100.0, 10.0),
     (999.0, 10.0), (1000.0, 100.0)],
)  # fmt: skip
def test_effects_are_stated_for_a_power_of_ten_of_the_unit(span, amount):
    assert handy_amount(span) == pytest.approx(amount)


def test_the_interaction_of_two_inputs_is_theirs_alone():
    """Of (x - 1/2)(y - 1/2) + (z - 1/2) / 2: variances 1/144 and 1/48, so 1/4 and 3/4."""

    def function(X):
        x, y, z = (X - 0.5).T
        return np.array([x * y + 0.5 * z, np.zeros(len(X))])

    found = sobol_indices(function, 3, log_base=11)
    assert found.first[0] == pytest.approx([0.0, 0.0, 0.75], abs=0.02)
    assert found.total[0] == pytest.approx([0.25, 0.25, 0.75], abs=0.02)
    assert found.pairs[0] == pytest.approx([0.25, 0.0, 0.0], abs=0.02)
    assert not np.any([found.first[1], found.total[1], found.pairs[1]])
    assert sobol_indices(lambda X: X.T, 1, log_base=4).pairs.shape == (1, 0)
