"""The material of past runs and of today as inputs: small tables, worked out by hand."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit, logit

from optimizer.evidence import material
from optimizer.evidence.material import feed_odds, material_inputs
from optimizer.evidence.shift import shift_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5.0, "high": 25.0}}})


def inputs(moisture, today=None, settings=None):
    """Inputs of runs with these moistures, of today, today's values, names, and warnings."""
    warnings = []
    given = {} if today is None else {"moisture": today}
    brief = Brief.from_dict({"material": given}).check_names(SITE)
    table = pa.table({"moisture": pa.array(moisture, pa.float64())})
    n = len(moisture)
    settings = np.arange(5.0 * n).reshape(n, 5) if settings is None else settings
    return *material_inputs(table, settings, SITE, brief, warnings), warnings


def test_a_property_is_an_input_in_shares_of_its_range():
    """Moistures 10.2 and 15 of 5 to 25 % are 0.26 and a half; a run without one takes the
    median."""
    past, today, named, names, said = inputs([10.2, None, 15.0, 15.0], today=15.0)
    assert past[:, 0] == pytest.approx([0.26, 0.5, 0.5, 0.5])
    assert today == pytest.approx([0.5])
    assert (named, names, said) == ({"moisture": 15.0}, ["moisture"], [])


def test_without_a_brief_today_is_the_median_of_the_latest_runs(monkeypatch):
    monkeypatch.setattr(material, "LATEST_RUNS", 3)
    _, today, named, _, _ = inputs([25.0, 25.0, 25.0, 25.0, 10.0, 11.0, None, 12.0])
    assert named == {"moisture": 11.0}
    assert today == pytest.approx([0.3])


def test_today_s_material_is_a_point_of_the_grid_of_the_runs():
    past, today, *_ = inputs([10.0, 10.1, 14.9, 20.0], today=14.0)
    steps = (past - today) / material.CONTEXT_GRID
    assert steps == pytest.approx(np.rint(steps), abs=1e-6)
    assert past[0] == past[1]
    unit = (np.array([[10.0], [10.1], [14.9], [20.0]]) - 5.0) / 20.0
    assert np.all(np.abs(past - unit) <= 0.5 * material.CONTEXT_GRID + 1e-9)


def test_the_grid_is_made_coarser_until_the_set_points_are_few_enough(monkeypatch):
    moisture, alike = list(np.linspace(10.0, 20.0, 26)), np.ones((26, 5))
    counts = []
    for most in (1200, 14, 7, 1):
        monkeypatch.setattr(material, "MOST_SET_POINTS", most)
        past = inputs(moisture, today=10.0, settings=alike)[0]
        counts.append(len(np.unique(past)))
    # Half of the range in steps of 2, 4, 8 and at most 16 hundredths.
    assert counts == [26, 13, 7, 4]


@pytest.mark.parametrize(
    ("moisture", "today", "keys"),
    [
        # A fiftieth of the range of 20 points is 0.4.
        ([10.0, 10.3], 10.2, []),
        ([10.0, 10.3], 10.5, []),
        ([10.0, 10.3], 10.65, ["property_never_moved"]),
        ([10.0, 10.3], 9.5, ["property_outside", "property_never_moved"]),
        ([None, None], 10.2, []),
        ([10.0, 10.3], {"low": 10.0, "high": 10.2}, ["property_hardly_moved"]),
        ([10.0, 15.0], {"low": 10.0, "high": 15.3}, []),
        ([10.0, 15.0], {"low": 10.0, "high": 15.5}, ["property_range_outside"]),
        ([10.0, 15.0], {"low": 9.5, "high": 12.0}, ["property_range_outside"]),
        ([10.0, 15.0], 15.3, []),
        ([10.0, 15.0], 15.5, ["property_outside"]),
        ([10.0, 15.0], 9.5, ["property_outside"]),
    ],
)
def test_what_the_runs_cannot_tell_of_today_s_material_is_said(moisture, today, keys):
    said = inputs(moisture, today)[-1]
    assert [sentence.key for sentence in said] == keys


def test_a_property_that_hardly_moved_is_no_input():
    past, today, named, names, _ = inputs([10.0, 10.3], 10.2)
    assert (past.shape, today.shape, names) == ((2, 0), (0,), [])
    assert named == {"moisture": 10.2}
    assert inputs([10.0, 10.4])[3] == ["moisture"]


# ------------------------------------------------------------------ feed grade


def odds_of(feeds, today, grade=0.98, recovery=0.9, site=None, readings=None):
    warnings = []
    n = len(feeds)
    g, r = (np.full(n, logit(each)) for each in (grade, recovery))
    if readings is not None:
        g[~np.array(readings)] = np.nan
    named = {} if today is None else {"feed_grade": today}
    found = feed_odds(lambda name: np.array(feeds, float), g, r, site or Site(), named, warnings)
    return *found, [sentence.key for sentence in warnings]


def test_a_run_without_a_feed_grade_takes_the_median_of_the_others():
    odds, today, known, said = odds_of([0.9, np.nan, 0.92, 0.91], 0.93)
    assert expit(odds) == pytest.approx([0.9, 0.91, 0.92, 0.91])
    assert (expit(today), known, said) == (pytest.approx(0.93), True, [])


def test_where_no_run_has_a_feed_grade_all_take_today_s_and_it_is_said():
    odds, _, known, said = odds_of([np.nan] * 3, 0.93)
    assert expit(odds) == pytest.approx([0.93] * 3)
    assert (known, said) == (True, ["feed_grade_of_today"])
    assert odds_of([np.nan] * 3, 0.93, readings=[False] * 3)[-1] == []


def test_a_feed_grade_above_the_grade_contradicts_the_readings():
    """A product of 90 % from a feed of 95 % at a recovery of 90 % would need more than all of the
    unwanted material."""
    feeds = [0.95] * 10
    odds, today, known, said = odds_of(feeds, 0.95, grade=0.9)
    assert (known, said) == (False, ["feed_grade_contradicts"])
    assert set(odds) == {today}
    # One of twenty runs is too few to contradict, one of nineteen is not.
    assert odds_of([0.999, *[0.9] * 19], 0.9)[2]
    assert not odds_of([0.999, *[0.9] * 18], 0.9)[2]


def test_without_a_feed_grade_it_is_guessed_so_that_no_reading_is_impossible():
    odds, today, known, said = odds_of([np.nan] * 3, None)
    assert (known, said) == (False, [])
    assert set(odds) == {today}
    assert expit(today) < 0.98
    assert odds_of([np.nan] * 3, None, readings=[False] * 3)[1] == 0.0


def test_a_feed_grade_in_per_cent_is_scaled():
    site = Site.from_dict({"material": {"feed_grade": {"unit": "%", "low": 50, "high": 100}}})
    odds, today, known, _ = odds_of([90.0, 92.0], 91.0, site=site)
    assert (expit(odds), expit(today)) == (pytest.approx([0.9, 0.92]), pytest.approx(0.91))
    assert known


# ------------------------------------------------------------------ a shift that varies


def shift(over, known=True, names=("moisture",), today=(0.5, 0.3)):
    brief = Brief.from_dict({"material": over}).check_names(SITE)
    middle = np.array(today)
    return shift_of(brief.ranges, SITE, middle, names, float(logit(0.9)), known)


def test_one_property_varies_from_end_to_end_with_the_weights_of_the_rule():
    """Source: the Gauss-Lobatto rule with 5 nodes integrates polynomials of degree 7 exactly; over
    10 to 20 the mean of x is 15 and of x^2 is 700 / 3."""
    found = shift({"moisture": {"low": 10.0, "high": 20.0}})
    values = np.array([each["moisture"] for each in found.values])
    assert (values[0], values[-1], found.share.sum()) == (10.0, 20.0, pytest.approx(1.0))
    assert found.share @ values == pytest.approx(15.0)
    assert found.share @ values**2 == pytest.approx(700.0 / 3.0)
    assert found.today[:, 0] == pytest.approx((values - 5.0) / 20.0)
    assert set(found.today[:, 1]) == {0.3}
    assert expit(found.feed_odds) == pytest.approx([0.9] * 5)
    assert found.over["moisture"].ends == (10.0, 20.0)


def test_two_properties_vary_to_all_corners():
    """The rule has the mean and the variance of independent uniform values: a third of the square
    of the half width."""
    over = {"moisture": {"low": 10.0, "high": 20.0}, "feed_grade": {"low": 0.8, "high": 0.9}}
    found = shift(over)
    pairs = np.array([[each["moisture"], each["feed_grade"]] for each in found.values])
    assert {tuple(p) for p in pairs.round(6).tolist()} == {
        (15.0, 0.85), (10.0, 0.8), (10.0, 0.9), (20.0, 0.8), (20.0, 0.9),
    }  # fmt: skip
    assert found.share @ pairs == pytest.approx([15.0, 0.85])
    assert found.share @ (pairs - [15.0, 0.85]) ** 2 == pytest.approx([25 / 3, 0.0025 / 3])
    assert expit(found.feed_odds) == pytest.approx(pairs[:, 1])
    assert expit(shift(over, known=False).feed_odds) == pytest.approx([0.9] * 5)


def test_a_property_without_an_input_changes_no_input():
    found = shift({"moisture": {"low": 10.0, "high": 20.0}}, names=())
    assert {tuple(row) for row in found.today} == {(0.5, 0.3)}
    assert shift({"moisture": 10.0}) is None
