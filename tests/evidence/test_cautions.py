"""Warnings about what the runs of a line cannot show, from a few made-up runs each."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import logit

from optimizer.evidence import cautions as module
from optimizer.evidence.cautions import (
    cautions,
    days_by_habit,
    doubts_of_middlings,
    habits,
    of_other_labels,
    over_the_shift,
    unsettled,
)
from optimizer.evidence.middlings import FEWEST
from optimizer.plant.brief import Brief, Prices, Range
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table

AIR, TILT = GRAVITY_TABLE.names.index("air"), GRAVITY_TABLE.names.index("side_tilt")


def evidence(values, **more):
    """What the warnings read of evidence: settings, and what is stated."""
    values = np.asarray(values, float)
    usual = {
        "space": GRAVITY_TABLE, "settings": values, "grade": np.full(len(values), 0.97),
        "measured": np.ones(len(values), bool), "feed_grade_known": True,
        "feed_odds_today": float(logit(0.9)),
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **more})


def spread(n, seed=0):
    """Settings without pattern, inside their ranges."""
    rng = np.random.default_rng(seed)
    return GRAVITY_TABLE.low + rng.random((n, 5)) * GRAVITY_TABLE.span


def keys(said):
    return [sentence.key for sentence in said]


# ------------------------------------------------------------------ habits


def test_a_setting_that_never_moved_is_named_with_its_value():
    values = spread(8)
    values[:, AIR] = 40.0
    (said,) = habits(evidence(values))
    assert (said.key, said.values) == ("never_moved", {"name": "air", "value": 40.0})
    assert habits(evidence(values[:7])) == []


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_settings_that_moved_together_are_named_with_their_correlation(way):
    values = spread(30)
    values[:, AIR] = 45.0 + way * 10.0 * (values[:, TILT] - 2.5)
    (said,) = habits(evidence(values))
    assert said.key == "moved_together"
    assert {said.values["one"], said.values["other"]} == {"air", "side_tilt"}
    assert said.values["correlation"] == pytest.approx(way)
    assert habits(evidence(spread(30))) == []


def test_gates_that_are_always_alike_are_named():
    space, values = GRAVITY_TABLE.with_gates("air", 3), spread(8)
    alike = np.hstack([values[:, :AIR], np.repeat(values[:, [AIR]], 3, axis=1)])
    (said,) = habits(evidence(alike, space=space))
    assert (said.key, said.values) == ("gates_alike", {"name": "air"})
    alike[0, -1] += 5.0
    assert habits(evidence(alike, space=space)) == []


def of_days(by_habit, points, days, minutes):
    """What is said of runs at some set-points on some days; runs of other lines come after them."""
    own = evidence(
        spread(3)[points], measured=np.ones(len(points), bool), started_by_clock=moments(*minutes)
    )
    own.take = lambda rows: own
    occasions = SimpleNamespace(by_habit=by_habit, day=np.array([*days, -1, -1]))
    found = None if by_habit is None else occasions
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(module, "occasions_of", lambda e: found)
        return days_by_habit(own)


def test_a_set_point_of_another_day_is_named_where_days_and_settings_change_together():
    """The set-point with most runs before the latest day, and the day on which it was run last;
    runs without a time do not count."""
    points, days = [0, 0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2], [-1, -1, -1, 0, 0, 1, 1, 1, 2, 2, 2, 2]
    minutes = [0, 0, 0, 1, 2, 1440, 1441, 2170, 2880, 2881, 2882, 2883]
    (said,) = of_days(True, points, days, minutes)
    assert (said.key, said.values["last"]) == ("days_by_habit", "2026-05-06")
    told = {each.values["name"]: each.values["value"] for each in said.values["settings"]}
    assert told == dict(zip(GRAVITY_TABLE.names, spread(3)[1].tolist(), strict=True))
    assert of_days(False, points, days, minutes) == of_days(None, points, days, minutes) == []


# ------------------------------------------------------------------ runs before the deck settled


def moments(*minutes):
    return np.datetime64("2026-05-04T12:00", "us") + np.array(minutes, "timedelta64[m]")


def hasty(minutes, values, measured=None, settle=20.0):
    table = run_table(values, [0.97] * len(values), [0.9] * len(values))
    started = moments(*minutes)
    zone = Site().time_zone
    found = evidence(values, started=started, started_by_clock=started, zone=zone)
    if measured is not None:
        found.measured = np.array(measured)
    return unsettled(table, found, settle)


def test_a_run_that_ended_before_the_deck_settled_is_told_with_its_time():
    """Runs of which the second starts 19 minutes after the first, with other settings."""
    first, other = spread(2)
    (said,) = hasty([0, 19, 60], [first, other, first])
    assert (said.key, said.values["count"], said.values["minutes"]) == ("hasty", 1, 20.0)
    assert said.values["first"].startswith("2026-05-04T12:00")
    assert keys(hasty([0, 1, 60], [first, other, first])) == ["hasty"]
    assert hasty([0, 20, 60], [first, other, first]) == []
    assert hasty([0, 19, 60], [first, first, other]) == []
    assert hasty([0, 0, 60], [first, other, other]) == []
    assert hasty([0, 19, 60], [first, other, first], measured=[False, True, True]) == []
    # The order of the rows does not matter.
    (said,) = hasty([60, 0, 19], [first, first, other])
    assert said.values["count"] == 1


def test_measured_runs_that_say_that_the_deck_had_not_settled_are_counted():
    values = spread(4)
    settled = [False, False, True, None]
    table = run_table(values, [0.9] * 4, [0.9] * 4, settled=settled)
    at = moments(0, 60, 120, 180)
    found = evidence(values, started=at, started_by_clock=at, zone=Site().time_zone)
    found.measured = np.array([True, False, True, True])
    (said,) = unsettled(table, found, 20.0)
    assert (said.key, said.values) == ("not_settled", {"count": 1})
    assert unsettled(table.slice(0, 0), found, 20.0) == []


# ------------------------------------------------------------------ the goal


@pytest.fixture(autouse=True)
def readings_of_middlings(monkeypatch):
    """Evidence says itself how many runs tell of middlings."""
    monkeypatch.setattr(module, "middlings_readings", lambda e: getattr(e, "middlings", 0))


def of_goal(found, min_grade=0.96, **brief):
    return keys(cautions(found, min_grade, Brief.from_dict(brief)))


MANY, ASKED = spread(13), {"goal": {"min_grade": 0.96}}
PRICED = {"goal": {"min_grade": 0.96, "maximise": "value", "prices": {"product": 1.0}}}


def test_a_goal_is_doubted_only_where_the_runs_do_not_support_it():
    known, unknown = evidence(MANY), evidence(MANY, feed_grade_known=False)
    assert of_goal(known, **ASKED) == []
    assert of_goal(known) == ["no_grade_asked"]
    assert of_goal(known, goal={"maximise": "value", "prices": {"product": 1.0}}) == []
    assert of_goal(known, 0.97, **ASKED) == []
    assert of_goal(known, 0.98, **ASKED) == ["grade_never_reached"]
    nothing = evidence(MANY, measured=np.zeros(13, bool))
    assert of_goal(nothing, **ASKED) == []
    assert of_goal(unknown, **ASKED) == []
    for name in ("max_product_rate", "max_reject_rate"):
        assert of_goal(unknown, **ASKED, capacity={name: 1.0}) == ["feed_grade_unknown"]
        assert of_goal(known, **ASKED, capacity={name: 1.0}) == []
    assert of_goal(unknown, **PRICED) == ["feed_grade_unknown_value"]
    assert of_goal(evidence(spread(12)), **ASKED) == ["few_settings_tried"]


def test_what_is_doubted_is_told_in_numbers():
    found = evidence(MANY, feed_grade_known=False)
    brief = Brief.from_dict({"capacity": {"max_product_rate": 1.0}})
    said = {s.key: s.values for s in cautions(found, 0.98, brief)}
    assert said["no_grade_asked"] == {"grade": 0.98}
    assert said["grade_never_reached"] == {"grade": 0.98, "best": 0.97}
    assert said["feed_grade_unknown"]["value"] == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("price", "known", "key"),
    [(2.0, FEWEST, None), (2.0, FEWEST - 1, "middlings_in_few_runs"),
     (2.0, 0, "middlings_in_no_run"), (None, FEWEST, "middlings_without_price"),
     (None, FEWEST - 1, None)],
)  # fmt: skip
def test_prices_and_readings_of_middlings_belong_together(price, known, key):
    prices = Prices(product=1.0, middlings=price)
    assert keys(doubts_of_middlings(SimpleNamespace(middlings=known), prices)) == [
        each for each in (key,) if each
    ]
    assert doubts_of_middlings(SimpleNamespace(middlings=known), None) == []


# ------------------------------------------------------------------ labels and shifts


def labelled(label, borrowed=None, **more):
    usual = {"by_label": True, "label": np.array(label), "measured": np.ones(len(label), bool),
             "material": {"material": "washed"}, "other_labels": ("natural",),
             "borrowed": borrowed}  # fmt: skip
    return SimpleNamespace(**{**usual, **more})


def test_what_runs_of_other_labels_say_depends_on_their_agreement():
    (said,) = of_other_labels(labelled([0, 0, 1, 1, 1]), 0.5)
    assert (said.key, said.values["count"], said.values["rest"]) == ("label_agrees", 2, 3)
    (said,) = of_other_labels(labelled([0, 1]), 0.49)
    assert said.key == "label_hardly"
    assert (said.values["label"], said.values["labels"]) == ("washed", ["natural"])
    borrowed = SimpleNamespace(grade=np.ones(4))
    (said,) = of_other_labels(labelled([1, 1, 1], borrowed), 0.9)
    assert (said.key, said.values["rest"]) == ("label_none", 7)
    unread = labelled([0, 0, 1], measured=np.array([True, False, False]))
    (said,) = of_other_labels(unread, 0.9)
    assert (said.values["count"], said.values["rest"]) == (1, 0)
    assert of_other_labels(labelled([0, 1]), None) == []
    assert of_other_labels(labelled([0, 1], by_label=False), 0.9) == []


def test_what_varies_over_the_shift_is_told_with_its_ends():
    over = {"moisture": Range(low=10.0, high=12.0)}
    (said,) = over_the_shift(SimpleNamespace(shift=SimpleNamespace(over=over)))
    (told,) = said.values["ranges"]
    assert told.values == {"name": "moisture", "low": 10.0, "high": 12.0}
    assert over_the_shift(SimpleNamespace(shift=None)) == []
