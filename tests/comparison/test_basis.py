"""The conditions of a comparison: medians of practice, and which lines can be compared on them."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest

from optimizer.comparison.basis import Basis, brief_for_line, choose_basis, labels_of, why_not
from optimizer.errors import LimitError
from optimizer.plant.brief import Brief
from optimizer.plant.settings import FEED_RATE
from optimizer.plant.site import Site

SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5.0, "high": 25.0}}})
FEEDS = SITE.space[FEED_RATE]


def runs(n=8, feed=2.0, grade=0.98, moisture=10.0, label="washed", **more):
    """Runs of a line that are all alike, but for columns that are given as lists."""
    columns = {FEED_RATE: feed, "grade": grade, "recovery": 0.9, "moisture": moisture, **more}
    return pa.table(
        {"material": pa.array(label if isinstance(label, list) else [label] * n, pa.string())}
        | {
            name: pa.array(value if isinstance(value, list) else [value] * n, pa.float64())
            for name, value in columns.items()
        }
    )


def chosen(tables, feed_rate=None, **brief):
    return choose_basis(tables, SITE, Brief.from_dict(brief), feed_rate)


def test_what_the_brief_leaves_open_is_the_median_of_practice():
    tables = {"a": runs(feed=1.5, grade=0.97, moisture=9.0), "b": runs(feed=2.5, moisture=11.0)}
    found = chosen(tables)
    assert found.material == {"moisture": 10.0}
    assert (found.feed_rate, found.min_grade, found.label) == (2.0, 0.975, "washed")
    assert found.named_material == {"moisture": 10.0, "material": "washed"}


def test_what_the_brief_states_holds():
    material = {"moisture": {"low": 8.0, "high": 12.5}, "material": "natural"}
    goal = {"min_grade": 0.99, "confidence": 0.8}
    found = chosen({"a": runs()}, 1.7, material=material, goal=goal)
    assert found.material == {"moisture": 10.25}
    assert (found.feed_rate, found.min_grade) == (1.7, 0.99)
    assert (found.confidence, found.label) == (0.8, "natural")


def test_without_any_line_only_the_brief_speaks():
    found = chosen({}, 1.7, material={"moisture": 9.0, "material": "natural"})
    assert (found.material, found.feed_rate, found.label) == ({"moisture": 9.0}, 1.7, "natural")
    assert math.isnan(found.min_grade)
    assert found.as_dict()["min_grade"] is None
    assert chosen({}, goal={"min_grade": 0.9}).as_dict()["min_grade"] == 0.9


def test_practice_is_that_of_the_latest_measured_runs(monkeypatch):
    monkeypatch.setattr("optimizer.comparison.basis.RECENT_RUNS", 3)
    feed, grade = [9.0, 1.0, 1.0, 2.0, 3.0, 9.0], [None, 0.9, 0.9, 0.9, 0.9, None]
    assert chosen({"a": runs(6, feed=feed, grade=grade)}).feed_rate == 2.0


def test_the_most_frequent_label_is_taken():
    labels = ["natural", "washed", None, "washed", "natural", "washed", None, None]
    assert chosen({"a": runs(label=labels)}).label == "washed"
    assert chosen({"a": runs(label=None)}).label is None


@pytest.mark.parametrize(
    ("limit", "rate"),
    [({}, 2.0), ({"fixed": 1.2}, 1.2), ({"low": 2.3}, 2.3), ({"high": 1.6}, 1.6),
     ({"low": 1.0, "high": 3.0}, 2.0)],
)  # fmt: skip
def test_the_common_feed_rate_stays_inside_the_limit_of_the_brief(limit, rate):
    tables = {"a": runs(feed=1.98), "b": runs(feed=None)}
    assert chosen(tables, limits={FEED_RATE: limit}).feed_rate == pytest.approx(rate)


def test_the_common_feed_rate_lies_in_the_range_that_all_lines_share():
    site = Site.from_dict(
        {"lines": {"a": {}, "b": {"settings": {FEED_RATE: {"high": 1.6}}},
                   "c": {"settings": {FEED_RATE: {"low": 1.0}}}}}
    )  # fmt: skip
    for feed, rate in ((3.0, 1.6), (0.6, 1.0), (1.3, 1.3)):
        tables = {line: runs(feed=feed) for line in "abc"}
        assert choose_basis(tables, site, Brief(), None).feed_rate == pytest.approx(rate)
    assert chosen({"a": runs(feed=None)}).feed_rate is None


def told(table, **basis):
    usual = {"material": {"moisture": 10.0}, "feed_rate": 2.0, "min_grade": 0.98, "confidence": 0.9}
    return why_not(table, "a", SITE, Basis(**{**usual, **basis}))


@pytest.mark.parametrize(
    ("table", "basis", "key"),
    [
        (runs(), {}, None),
        (runs(7), {}, "few_runs_for_answer"),
        (runs(9, grade=[None, None, *[0.98] * 7]), {}, "few_runs_for_answer"),
        # A twentieth of the range of 20 points on either side of what was run.
        (runs(), {"material": {"moisture": 11.0}}, None),
        (runs(), {"material": {"moisture": 9.0}}, None),
        (runs(), {"material": {"moisture": 11.1}}, "never_ran_property"),
        (runs(), {"material": {"moisture": 8.9}}, "never_ran_property"),
        (runs(moisture=None), {"material": {"moisture": 20.0}}, None),
        (runs(), {"label": "washed"}, None),
        (runs(), {"label": "natural"}, "never_ran_label"),
        (runs(label=None), {"label": "natural"}, None),
        (runs(), {"feed_rate": None}, None),
        (runs(), {"feed_rate": FEEDS.high}, None),
        (runs(), {"feed_rate": FEEDS.low}, None),
        (runs(), {"feed_rate": FEEDS.high + 0.1}, "cannot_be_fed"),
        (runs(), {"feed_rate": FEEDS.low - 0.1}, "cannot_be_fed"),
    ],
)
def test_a_line_is_compared_on_what_it_has_run_and_can_be_fed(table, basis, key):
    assert getattr(told(table, **basis), "key", None) == key


def test_the_reason_names_what_the_line_ran():
    assert told(runs(7)).values == {"runs": 7, "needed": 8}
    moisture = [9.0, *[10.0] * 6, 12.0]
    said = told(runs(moisture=moisture), material={"moisture": 20.0}).values
    assert (said["low"], said["high"], said["value"]) == (9.0, 12.0, "20 %")
    said = told(runs(label=["b", "a", *["b"] * 6]), label="c").values
    assert said == {"label": "c", "labels": ["a", "b"]}
    said = told(runs(), feed_rate=FEEDS.high + 1.0).values
    assert (said["low"], said["high"]) == (FEEDS.low, FEEDS.high)


def test_the_brief_of_a_line_holds_the_basis_at_the_nearest_feed_rate_of_its_steps():
    asked = Brief.from_dict({"limits": {"air": {"fixed": 40}}, "current": {"air": 50}})
    basis = Basis({"moisture": 10.0}, 1.97, 0.98, 0.9, "washed")
    made = brief_for_line("deck-2", SITE, asked, basis)
    assert made.line == "deck-2"
    assert made.limits[FEED_RATE].fixed == pytest.approx(2.0)
    assert made.limits["air"].fixed == 40.0
    assert made.material == {"moisture": 10.0, "material": "washed"}
    assert (made.goal.min_grade, made.current) == (0.98, {})
    for rate, nearest in ((99.0, FEEDS.high), (-9.0, FEEDS.low)):
        made = brief_for_line("a", SITE, asked, Basis({}, rate, 0.98, 0.9))
        assert made.limits[FEED_RATE].fixed == pytest.approx(nearest)
    made = brief_for_line("a", SITE, asked, Basis({}, None, 0.98, 0.9))
    assert FEED_RATE not in made.limits


def test_limits_without_settings_are_refused_with_the_name_of_the_line():
    asked = Brief.from_dict({"capacity": {"max_feed_rate": 1.0}})
    with pytest.raises(LimitError, match=r"^deck-2: "):
        brief_for_line("deck-2", SITE, asked, Basis({}, 3.0, 0.98, 0.9))


def test_letters_hide_names_in_their_order():
    names = [str(k) for k in range(28)]
    called = labels_of(names, True)
    assert [called[k] for k in ("0", "25", "26", "27")] == ["line A", "line Z", "line AA",
                                                            "line AB"]  # fmt: skip
    assert labels_of(["x", "y"], False) == {"x": "x", "y": "y"}
    assert np.all([len(set(called.values())) == 28])
