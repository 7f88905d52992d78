"""How a plan joins its parts, with a model that is known: every figure here follows by hand.

The model is a stub. Sharpness S and balance C of the deck are functions of the air alone, each
normal with a stated variance and independent between settings; at settings tried they are known.
S and C are equally uncertain, so that a = (S + C)/2 = logit recovery and b = (C - S)/2 = logit p_u
are independent normals. What the model's own class makes of S and C (intervals, chances, means) is
not replaced.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit, logit, ndtr
from scipy.stats import norm

from optimizer.errors import LimitError
from optimizer.gaussian_process.inputs import Inputs
from optimizer.history.history import History
from optimizer.history.snapshot import Snapshot
from optimizer.intake.settling.load import load_table
from optimizer.model.fitted_surrogate import Latent
from optimizer.model.surrogate import Surrogate
from optimizer.planning import run_now
from optimizer.planning.planner import suggest
from optimizer.planning.regret import regret
from optimizer.planning.run_now import choose_run_now
from optimizer.planning.situation import situation_of
from optimizer.planning.stopping import stopping_of
from optimizer.planning.trial_selection import select_trials
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from tests.conftest import run_table

FEED, ASKED, SURE = 0.90, 0.985, 0.80
ODDS = float(logit(FEED))
KNOWN = 1e-9  # variance of S and of C where a setting was tried
AIR, AIRS = GRAVITY_TABLE.names.index("air"), np.arange(30.0, 51.0)
FIXED = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.5, "eccentric_speed": 450.0}
LEVELS = norm.ppf((np.arange(400) + 0.5) / 400)


def a_of(air):
    """Mean logit of the recovery: the more air, the more is recovered."""
    return 1.0 + 0.15 * (air - 30.0)


def b_of(air):
    """Mean logit of p_u: the more air, the more unwanted particles come along."""
    return -3.0 + 0.20 * (air - 30.0)


def at(air, **others):
    """Settings as an index of the lattice, shape (1, d)."""
    return GRAVITY_TABLE.index_of({**FIXED, "air": air, **others})


def airs_of(points):
    return GRAVITY_TABLE.values(points)[:, AIR]


class KnownPair:
    """Sharpness and balance, independent between settings, as draws and gains ask for them."""

    members, stacked = 1, False

    def __init__(self, model):
        self.model = model

    def moments(self, A):
        mean, variance = self.model.moments(A)
        return SimpleNamespace(A=A.values, mean=tuple(mean), variance=variance)

    def covariance(self, P, Q):
        same = np.all(P.A[:, None, :] == Q.A[None, :, :], axis=2) * P.variance[:, None]
        return np.block([[same, np.zeros_like(same)], [np.zeros_like(same), same]])

    def variance(self, moments, W=None):
        left = np.tile(moments.variance, 2) - (0.0 if W is None else np.sum(W**2, axis=0))
        s, own = np.split(np.maximum(left, KNOWN), 2)
        return s, np.zeros_like(s), own

    def with_deviations(self, moments, off):
        S, C = np.split(off, 2, axis=-1)
        return moments.mean[0] + S, moments.mean[1] + C


class KnownDeck(Surrogate):
    """The model's own class over a deck that is known: see the module."""

    n_members_ = 1

    def __init__(self, tried, variance):
        super().__init__(GRAVITY_TABLE.names)
        self.tried, self.spread = np.asarray(tried, dtype=float), variance
        # All pairs of 40 quantiles of each of two standard normals, in an order without pattern.
        levels = norm.ppf((np.arange(40) + 0.5) / 40)
        grid = np.stack(np.meshgrid(levels, levels), axis=-1).reshape(-1, 2)
        self.normals_ = np.random.default_rng(0).permutation(grid)

    def moments(self, A):
        air = np.round(GRAVITY_TABLE.low[AIR] + GRAVITY_TABLE.span[AIR] * A.values[:, AIR], 6)
        a, b = a_of(air), b_of(air)
        variance = np.where(np.isin(air, self.tried), KNOWN, self.spread)
        return np.array([a - b, a + b]), variance

    def latent(self, A, coarse=False):
        mean, variance = self.moments(Inputs.of(A))
        return Latent(mean[None], np.stack([variance] * 2)[None], np.zeros((1, len(variance))))

    def pairs(self, step=1):
        return [KnownPair(self)]

    @property
    def pairs_(self):
        return self.pairs()

    def reading_sd(self):
        return 0.0, 0.0


@pytest.fixture(autouse=True)
def without_errors_of_readings(monkeypatch):
    """A chance is lowered by what errors of readings do to it: here by nothing, unless stated."""
    noise_of_grade(monkeypatch, 0.0)


def noise_of_grade(monkeypatch, sd):
    monkeypatch.setattr(
        "optimizer.model.selection.noise_of_grade",
        lambda pair, inputs, odds: np.full(len(inputs), sd),
    )


def planned(tried=(30.0, 34.0), variance=0.2, even=None, grades=0.98, **tables):
    """A situation whose model is known: runs at the airs tried, all other settings fixed today."""
    settings = GRAVITY_TABLE.values(np.vstack([at(air) for air in tried]))
    n = len(tried)
    table = run_table(settings, np.broadcast_to(grades, n), [0.8] * n, feed_grade=[FEED] * n)
    limits = {name: {"fixed": value} for name, value in FIXED.items()}
    brief = {
        "material": {"feed_grade": FEED},
        "goal": {"min_grade": ASKED, "confidence": SURE},
        "trials": {"count": 1},
        **tables,
        "limits": {**limits, "air": {"low": 30, "high": 50}, **tables.get("limits", {})},
    }
    made = situation_of(Snapshot.of_table(table), brief=Brief.from_dict(brief), seed=1)
    made.__dict__["surrogate"] = KnownDeck(tried, variance)
    if even is not None:
        made.__dict__["chance_even_at"] = lambda values: even(values[:, AIR])
    return made


def draws_at(air, variance=0.2):
    """Grade and recovery at every pair of 400 quantiles of a and of b, each (400, 400)."""
    sd = np.sqrt(0.5 * variance)  # a and b are half the sum and difference of S and C
    a, b = a_of(air) + sd * LEVELS[:, None], b_of(air) + sd * LEVELS
    return expit(ODDS + np.log(expit(a)) - np.log(expit(b))), np.broadcast_to(
        expit(a), (len(a), len(a))
    )


def chance_at(air, variance=0.2, asked=ASKED):
    """Chance that the true grade is met: the mean over a of Phi((b* - b) / sd), where b* is the
    logit of the p_u at which the grade is just met."""
    sd = np.sqrt(0.5 * variance)
    wanted = expit(a_of(air) + sd * LEVELS)
    most = logit(wanted * FEED * (1.0 - asked) / (asked * (1.0 - FEED)))
    return float(np.mean(ndtr((most - b_of(air)) / sd)))


# --------------------------------------------------------------------------- what is expected


def test_expectations_of_a_setting_are_means_chances_and_intervals_of_ninety_percent():
    """By hand: between the quantiles 5 and 95 % lie 1.645 standard deviations of logit recovery to
    either side, here sqrt(0.1); 1,600 draws place a quantile within 0.02 standard deviations."""
    found = planned().expected(at(40.0))
    grade, recovery = draws_at(40.0)
    off = 1.6449 * np.sqrt(0.1)
    assert logit(found.recovery.low[0]) == pytest.approx(a_of(40.0) - off, abs=0.03)
    assert logit(found.recovery.high[0]) == pytest.approx(a_of(40.0) + off, abs=0.03)
    assert found.recovery.mean[0] == pytest.approx(recovery.mean(), abs=1e-3)
    assert [found.grade.low[0], found.grade.high[0]] == pytest.approx(
        np.quantile(grade, [0.05, 0.95]), abs=1e-3
    )
    assert found.grade.mean[0] == pytest.approx(grade.mean(), abs=1e-3)
    assert found.chance_of_grade[0] == pytest.approx(chance_at(40.0), abs=1e-3)
    assert found.chance_even[0] == 1.0


def test_the_grade_to_reach_is_that_of_the_brief_else_the_median_of_the_runs():
    assert planned().min_grade == ASKED
    assert planned(goal={}).min_grade == 0.98
    read = [0.95, 0.982, np.nan, 0.99]
    assert planned(tried=(30.0, 34.0, 36.0, 40.0), grades=read, goal={}).min_grade == 0.982
    prices = {"product": 100.0}
    assert planned(goal={"maximise": "value", "prices": prices}).min_grade < 1e-5
    both = {"maximise": "value", "prices": prices, "min_grade": 0.97}
    assert planned(goal=both).min_grade == 0.97


# ------------------------------------------------------------------ the settings to run now


def most_air(sure):
    """The most air that is sure enough: more air always recovers more."""
    return max(air for air in AIRS if sure(air))


def test_run_now_recovers_most_among_the_settings_that_are_sure_of_the_grade():
    chosen = choose_run_now(planned(tried=(50.0,)))
    best = most_air(lambda air: chance_at(air) >= SURE)
    assert 30 < best < 50
    assert airs_of(chosen.point[None]) == [best]
    now = chosen.run_now
    assert now.chance_of_grade == pytest.approx(chance_at(best), abs=0.02)
    assert now.recovery.mean == pytest.approx(draws_at(best)[1].mean(), abs=1e-3)
    assert (now.chance_even, now.tried, chosen.warnings) == (1.0, False, ())


def clearly_more(air, tried, variance):
    """Whether the mean recovery at an air exceeds that of an air tried, which is known, by one
    standard deviation."""
    promised, known = (draws_at(a, v)[1] for a, v in ((air, variance), (tried, KNOWN)))
    return promised.mean() - known.mean() > promised.std()


@pytest.mark.parametrize(("sure", "rather_new"), [(0.95, False), (0.8, True)])
def test_run_now_was_tried_unless_others_promise_clearly_more(sure, rather_new):
    """Air 30 was tried and is sure. The most air that is sure promises more: clearly more where it
    is far from 30, as less confidence allows."""
    best = most_air(lambda air: chance_at(air) >= sure)
    assert clearly_more(best, 30.0, 0.2) == rather_new
    chosen = choose_run_now(planned(goal={"min_grade": ASKED, "confidence": sure}, tried=(30.0,)))
    assert airs_of(chosen.point[None]) == [best if rather_new else 30.0]
    assert chosen.run_now.tried != rather_new


def test_settings_tried_that_are_not_sure_after_selection_are_not_run_now(monkeypatch):
    """At air 34, which was tried, the grade is known to be met, but for the errors of readings."""
    noise_of_grade(monkeypatch, 0.6)
    asked = expit(logit(ASKED) + 0.3)
    assert chance_at(34.0, KNOWN) > SURE > chance_at(34.0, KNOWN, asked)
    chosen = choose_run_now(planned(tried=(30.0, 34.0)))
    assert airs_of(chosen.point[None]) == [30.0]


def test_more_confidence_asks_for_less_air():
    asked = [0.6, 0.8, 0.95]
    goals = [{"min_grade": ASKED, "confidence": confidence} for confidence in asked]
    points = [choose_run_now(planned(tried=(50.0,), goal=goal)).point for goal in goals]
    found = airs_of(np.array(points)).tolist()
    assert found == [most_air(lambda air, c=c: chance_at(air) >= c) for c in asked]
    assert len(set(found)) == 3


@pytest.mark.parametrize("rate", [0.03, 0.02])
def test_run_now_is_sure_of_the_grade_and_worth_most_with_the_chance_of_an_even_deck(rate):
    """The most air that is sure is 33. There the deck may be uneven: at the higher rate, that costs
    more than the air brings beyond 32; at the lower one it does not, though the product of both
    chances is below what is asked."""

    def even(air):
        return 1.0 - rate * (air - 30.0)

    def worth(air):
        return draws_at(air)[1].mean() * even(air)

    chosen = choose_run_now(planned(tried=(50.0,), even=even))
    best = max((air for air in AIRS if chance_at(air) >= SURE), key=worth)
    assert best == (32.0 if rate == 0.03 else 33.0)
    assert airs_of(chosen.point[None]) == [best]
    assert chance_at(33.0) * even(33.0) < SURE
    assert chosen.run_now.chance_even == pytest.approx(even(best))
    assert chosen.run_now.chance_of_grade == pytest.approx(chance_at(best), abs=0.02)
    assert chosen.run_now.recovery.mean == pytest.approx(draws_at(best)[1].mean(), abs=1e-3)


def test_what_loses_money_is_worth_no_more_where_the_deck_may_be_uneven(monkeypatch):
    monkeypatch.setattr(run_now, "outlook", lambda *_: (np.full(4, SURE), np.full(4, 0.9)))
    situation = SimpleNamespace(
        chance_even=lambda _: np.array([1.0, 0.5, 1.0, 0.5]),
        objective="value an hour",
        expected_worth=lambda *_: np.array([40.0, 40.0, -40.0, -40.0]),
        inputs=lambda index: index,
        within_capacity=lambda index: np.array([True] * 4),
    )
    found = run_now._score(situation, np.zeros((4, 1), dtype=int), wanted=SURE)
    assert found.tolist() == [40.0, 20.0, -40.0, -40.0]


def test_a_deck_that_may_not_be_even_is_warned_of_below_nine_in_ten():
    for chance, count in ((0.91, 0), (0.89, 1)):
        made = planned(tried=(50.0,), even=lambda air, c=chance: np.full(len(air), c))
        said = choose_run_now(made).warnings
        assert sum("even" in warning for warning in said) == count


def test_a_chance_is_lowered_by_half_a_deviation_of_the_errors_of_readings(monkeypatch):
    """The grade that counts is lower by 0.5 times 0.6 logits, which is the same as asking for as
    much more."""
    noise_of_grade(monkeypatch, 0.6)
    goal = {"min_grade": ASKED, "confidence": 0.6}
    chosen = choose_run_now(planned(tried=(50.0,), goal=goal))
    asked = expit(logit(ASKED) + 0.3)
    best = airs_of(chosen.point[None]).item()
    assert chosen.run_now.chance_of_grade == pytest.approx(chance_at(best, asked=asked), abs=0.02)
    assert best == most_air(lambda air: chance_at(air, asked=asked) >= 0.6)
    assert best < most_air(lambda air: chance_at(air) >= 0.6)


def test_where_nothing_is_sure_the_plan_says_so():
    chosen = choose_run_now(planned(goal={"min_grade": 0.9985, "confidence": 0.9}))
    assert chosen.run_now.chance_of_grade < 0.9
    assert "0.9985" in chosen.warnings[0] or "99.85" in chosen.warnings[0]


def test_todays_limits_bound_run_now_and_the_trials():
    made = planned(limits={"air": {"low": 31, "high": 33}}, trials={"count": 3})
    point = choose_run_now(made).point
    assert airs_of(point[None]) == [33.0]
    trials = select_trials(made, 3, point).points
    assert sorted(airs_of(trials)) == [31.0, 32.0, 33.0]
    assert (np.delete(trials, AIR, axis=1) == np.delete(at(30.0), AIR, axis=1)).all()


def test_capacity_bounds_the_product_and_the_reject_of_an_hour():
    """At 2 t/h the product is 2 (0.9 p_w + 0.1 p_u) t/h."""

    def product(air):
        return 2.0 * (FEED * expit(a_of(air)) + (1.0 - FEED) * expit(b_of(air)))

    most = 0.5 * (product(33.0) + product(34.0))
    found = choose_run_now(planned(capacity={"max_product_rate": most}))
    assert airs_of(found.point[None]) == [33.0]
    assert found.run_now.product_t_per_h == pytest.approx(product(33.0))
    rest = 2.0 - most
    within = planned(capacity={"max_reject_rate": rest}).within_capacity
    assert [bool(within(at(air))[0]) for air in (33.0, 34.0)] == [False, True]
    with pytest.raises(LimitError, match="no settings keep product and reject"):
        choose_run_now(planned(capacity={"max_product_rate": 0.01}))


def test_where_prices_count_run_now_earns_most():
    """Value an hour at 2 t/h: product at 100, reject at 20, feed at 30 a tonne, 5 for the hour. All
    grades are paid alike, so every unit of product is welcome; a reject that pays more than the
    product turns the choice around."""
    for prices, best in (
        ({"product": 100.0, "reject": 20.0, "feed": 30.0, "hour": 5.0}, 50.0),
        ({"product": 20.0, "reject": 100.0, "feed": 30.0, "hour": 5.0}, 30.0),
    ):
        chosen = choose_run_now(planned(goal={"maximise": "value", "prices": prices}))
        assert airs_of(chosen.point[None]) == [best]
        sd = 0.0 if best == 30.0 else np.sqrt(0.1)
        wanted, unwanted = (np.mean(expit(m(best) + sd * LEVELS)) for m in (a_of, b_of))
        share = FEED * wanted + (1.0 - FEED) * unwanted
        value = 2.0 * (share * prices["product"] + (1.0 - share) * prices["reject"] - 30.0) - 5.0
        assert chosen.run_now.value_per_hour == pytest.approx(value, rel=5e-3)


# --------------------------------------------------------------------------- the gain of a trial


def gain_at(air, best, even=1.0):
    """E[(recovery - best)+ where the grade is met], times the chance of an even deck."""
    grade, recovery = draws_at(air)
    return even * float(np.mean(np.maximum(recovery - best, 0.0) * (grade >= ASKED)))


def met_below(air):
    """Whether the means meet the grade."""
    return chance_at(air, KNOWN) > 0.5


@pytest.mark.parametrize("air", [36.0, 38.0])
@pytest.mark.parametrize("even", [1.0, 0.7])
def test_a_gain_is_the_expected_improvement_where_the_grade_is_met_and_the_deck_even(air, even):
    """The tried 34 meets the grade and is known, so it is the incumbent."""
    assert met_below(34.0)
    made = planned(
        limits={"air": {"low": 34, "high": air}},
        even=lambda found: np.where(found == air, even, 0.01),
    )
    found = select_trials(made, 1, at(34.0)[0])
    assert airs_of(found.points) == [air]
    assert found.gains[0] == pytest.approx(gain_at(air, expit(a_of(34.0)), even), rel=0.02)


def test_a_tried_setting_that_misses_the_grade_is_no_incumbent():
    """Air 50 was tried and recovers most, at too low a grade: the gain is that over air 34."""
    assert not met_below(50.0)
    made = planned(
        tried=(34.0, 50.0),
        limits={"air": {"low": 34, "high": 50}},
        even=lambda air: np.where(air == 37.0, 1.0, 0.01),
    )
    found = select_trials(made, 1, at(34.0)[0])
    assert airs_of(found.points) == [37.0]
    assert found.gains[0] == pytest.approx(gain_at(37.0, expit(a_of(34.0))), rel=0.02)


def test_the_settings_to_run_now_are_an_incumbent_though_nobody_tried_them():
    """What is expected of the trial at hand is what it adds to run now: nothing at run now."""
    made = planned(even=lambda air: np.where(air == 38.0, 1.0, 0.01))
    over_tried = select_trials(made, 1, at(34.0)[0])
    over_itself = select_trials(made, 1, at(38.0)[0])
    assert over_tried.gains[0] > 1e-3
    assert over_itself.gains[0] < 1e-3 * over_tried.gains[0]


def test_a_pending_trial_is_neither_picked_again_nor_worth_a_trial():
    """The pending 36 may recover more than 35 would."""
    pending = [{**FIXED, "air": 36.0}]
    made = planned(pending=pending, trials={"count": 20})
    found = select_trials(made, 20, at(34.0)[0])
    assert 36.0 not in airs_of(found.points)
    alone = planned(even=lambda air: np.where(air == 35.0, 1.0, 0.01))
    beside = planned(pending=pending, even=lambda air: np.where(air == 35.0, 1.0, 0.01))
    gains = [select_trials(made, 1, at(34.0)[0]).gains[0] for made in (alone, beside)]
    assert gains[1] < 0.9 * gains[0]


def test_trials_are_ranked_by_what_each_adds_and_none_is_picked_twice():
    made = planned(trials={"count": 4})
    found = select_trials(made, 4, at(34.0)[0])
    assert len(set(airs_of(found.points))) == 4
    assert not set(airs_of(found.points)) & {30.0, 34.0}
    assert list(found.gains) == sorted(found.gains, reverse=True)
    best = max(AIRS, key=lambda air: 0.0 if air == 34 else gain_at(air, expit(a_of(34.0))))
    assert airs_of(found.points)[0] == best


def test_a_likely_failure_ranks_below_every_other_trial():
    made = planned(even=lambda air: np.where(air > 36.0, 0.49, 1.0), trials={"count": 5})
    found = select_trials(made, 5, at(34.0)[0])
    airs = airs_of(found.points)
    assert set(airs[:5]) <= {31.0, 32.0, 33.0, 35.0, 36.0}


# --------------------------------------------------------------------------- when to stop


def advice(made):
    chosen = choose_run_now(made)
    gains = select_trials(made, 1, chosen.point).gains
    return stopping_of(made, gains, chosen.run_now, chosen.point)


EVERY = tuple(AIRS)


def test_stop_is_said_where_everything_is_known_and_sure():
    said = advice(planned(tried=EVERY, variance=KNOWN))
    assert said.advice == "stop"
    assert "100 % sure" in said.why


def test_stop_is_never_said_where_the_grade_is_not_sure():
    """Everything is known, and no trial can add a thing: the grade asked for is out of reach."""
    said = advice(planned(tried=EVERY, variance=KNOWN, goal={"min_grade": 0.9999}))
    assert said.advice == "continue"
    assert said.expected_gain < 1e-6


@pytest.mark.parametrize(("chance", "said"), [(0.799, "continue"), (0.8, "stop")])
def test_sure_means_the_confidence_of_the_brief(monkeypatch, chance, said):
    made = planned(tried=EVERY, variance=KNOWN)
    chosen = choose_run_now(made)
    now = type(chosen.run_now)(**{**vars(chosen.run_now), "chance_of_grade": chance})
    assert stopping_of(made, [0.0], now, chosen.point).advice == said


def test_too_few_settings_tried_are_not_the_end():
    said = advice(planned(tried=EVERY[:12], variance=KNOWN))
    assert said.advice == "continue"


def test_the_regret_of_run_now_is_its_distance_to_the_best_that_meets_the_grade():
    """Known everywhere, the distance is the same in every draw."""
    made = planned(tried=EVERY, variance=KNOWN)
    best = most_air(met_below)
    lead = expit(a_of(best)) - expit(a_of(32.0))
    assert regret(made, at(32.0)[0]) == pytest.approx(lead, abs=1e-4)
    assert regret(made, at(best)[0]) == pytest.approx(0.0, abs=1e-4)
    half = planned(tried=EVERY, variance=KNOWN, even=lambda air: np.where(air == best, 0.5, 1.0))
    assert regret(half, at(best)[0]) == pytest.approx(
        max(expit(a_of(best - 1.0)) - 0.5 * expit(a_of(best)), 0.0), abs=1e-4
    )


# --------------------------------------------------------------------------- which runs


def log_of(names, air):
    settings = GRAVITY_TABLE.values(np.vstack([at(a) for a in air]))
    table = run_table(settings, [0.98] * len(air), [0.8] * len(air))
    return table.set_column(0, "run_id", [names])


def test_a_plan_is_of_the_version_that_it_names(tmp_path):
    """Two runs are too few for a model, so that the plan takes no time."""
    history = History(tmp_path / "history")
    load_table(log_of(["a"], [30.0]), history)
    first = history.at()
    load_table(log_of(["b"], [40.0]), history)
    brief = Brief.from_dict({"line": "deck-1"})
    pinned, latest = (suggest(source, brief=brief) for source in (first, history))
    assert (pinned.history_version, pinned.runs_used) == (first.version, 1)
    assert (latest.history_version, latest.runs_used) == (history.at().version, 2)
    assert first.version < history.at().version
    assert airs_of(situation_of(first, brief=brief).tried).tolist() == [30.0]
    assert suggest(history.at(first.version), brief=brief).as_dict() == pinned.as_dict()
