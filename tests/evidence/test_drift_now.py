"""Drift, and what no log holds: sizes from a deck that is known, sentences by their figures."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit, logit

from optimizer.evidence import drift_now
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.drift_now import NOTHING, DriftNow, drift_at
from optimizer.evidence.unlogged import LEAST_P, Unlogged, _slopes, unlogged
from optimizer.interval import Interval
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table


def evidence(dated=True):
    """Three runs, an hour apart."""
    at = GRAVITY_TABLE.values(np.array([[10, 10, 10, 10, 10], [11, 10, 10, 10, 10], [12] * 5]))
    table = run_table(at, [0.96, 0.97, 0.98], [0.9] * 3)
    if not dated:
        table = table.set_column(2, "started_at", pa.nulls(3, pa.timestamp("us", "UTC")))
    return evidence_of(table, Site(), Brief())


WANTED, UNWANTED, FEED = 0.9, 0.2, 0.8
S, C = logit(WANTED) - logit(UNWANTED), logit(WANTED) + logit(UNWANTED)


def grade_and_recovery(sharpness, balance):
    """By the two-product formula."""
    wanted, unwanted = expit(0.5 * (balance + sharpness)), expit(0.5 * (balance - sharpness))
    return np.array([FEED * wanted / (FEED * wanted + (1 - FEED) * unwanted), wanted])


def slopes():
    """Derivatives of grade, then of recovery, by S and C, as differences."""
    h = 1e-5
    by_s = (grade_and_recovery(S + h, C) - grade_and_recovery(S - h, C)) / (2 * h)
    by_c = (grade_and_recovery(S, C + h) - grade_and_recovery(S, C - h)) / (2 * h)
    return np.column_stack([by_s, by_c])


def deck(weekly):
    """Two members that agree on the mean of S and of C at any settings."""
    mean = np.array([[[S + 0.1], [C - 0.1]], [[S - 0.1], [C + 0.1]]])
    effects = None if weekly is None else SimpleNamespace(weekly=weekly)
    return SimpleNamespace(latent=lambda A: SimpleNamespace(mean=mean), time_effects_=effects)


def drift(weekly, dated=True):
    found = evidence(dated)
    return drift_at(deck(weekly), found, found.settings[:1], float(logit(FEED)))


def test_a_drift_of_sharpness_and_balance_is_one_of_grade_and_recovery():
    """Independent: slopes as differences of the two-product formula; 90 % of a normal lie within
    1.645 standard deviations."""
    mean, covariance = np.array([0.02, -0.05]), np.array([[4e-4, 1e-4], [1e-4, 9e-4]])
    found = drift(SimpleNamespace(mean=mean, covariance=covariance))
    for row, change in zip(slopes(), (found.grade, found.recovery), strict=True):
        off = 1.645 * np.sqrt(row @ covariance @ row)
        assert change.mean == pytest.approx(row @ mean, rel=1e-3)
        assert change.low == pytest.approx(row @ mean - off, rel=1e-2)
        assert change.high == pytest.approx(row @ mean + off, rel=1e-2)


def test_no_drift_is_told_apart_from_not_knowing():
    assert drift(None) == DriftNow(NOTHING, NOTHING)
    assert drift(None, dated=False) is None
    assert not DriftNow(NOTHING, NOTHING).worth_saying


@pytest.mark.parametrize(
    ("change", "worth"),
    [((0.0006, 0.0001, 0.0011), True), ((0.0005, 0.0001, 0.0011), True),
     ((0.0004, 0.0001, 0.0011), False), ((0.01, -0.001, 0.021), False),
     ((-0.0006, -0.001, -0.0001), True), ((0.01, 0.0, 0.02), False)],
)  # fmt: skip
def test_a_drift_is_worth_saying_where_it_is_large_and_certain(change, worth):
    assert drift_now._worth_saying(Interval(*change)) == worth
    assert DriftNow(NOTHING, Interval(*change)).worth_saying == worth


def test_a_drift_is_told_in_points_with_its_ends():
    found = DriftNow(Interval(-0.004, -0.006, -0.002), Interval(0.003, 0.001, 0.005))
    fall, rise = found.sentence.values["changes"]
    assert (fall.key, rise.key) == ("falls_by", "rises_by")
    assert [fall.values[k] for k in ("mean", "low", "high")] == pytest.approx([0.4, 0.2, 0.6])
    assert [rise.values[k] for k in ("mean", "low", "high")] == pytest.approx([0.3, 0.1, 0.5])
    both = DriftNow(found.grade, NOTHING, "season")
    assert both.sentence.key == "drift_twice"
    assert DriftNow(NOTHING, NOTHING, "season").sentence == "season"
    assert both.as_dict()["worth_saying"] is True
    assert both.as_dict()["grade_per_week"]["mean"] == -0.004


def test_the_slopes_of_what_is_not_logged_are_those_of_the_two_product_formula():
    assert _slopes(deck(None), np.zeros((1, 5)), float(logit(FEED))) == pytest.approx(
        slopes(), rel=1e-4, abs=1e-6
    )


def test_what_is_not_logged_is_told_below_a_chance_of_one_in_twenty():
    def found(p, by="lot"):
        return Unlogged("a", by, 0.001, 0.008, p)

    assert [found(p).found for p in (0.0499, 0.05)] == [True, False]
    assert found(0.05).sentences == ""
    said = found(0.03).sentences
    assert (said.key, said.values["grade"], said.values["recovery"]) == (
        "unlogged_by_lot", pytest.approx(0.1), pytest.approx(0.8),
    )  # fmt: skip
    assert [found(p).sentences.values["p"].key for p in (LEAST_P, 0.9 * LEAST_P)] == [
        "p_value", "p_below",
    ]  # fmt: skip
    assert found(0.5).as_dict()["measure"] == []
    assert len(found(0.01, "day").as_dict()["measure"]) == 4


def test_what_is_not_logged_is_sized_by_its_deviations_in_sharpness_and_balance(monkeypatch):
    """By hand: independent deviations of 0.2 and 0.1, carried by the slopes, add in squares."""
    cells = SimpleNamespace(kinds=("lot",))
    surrogate = deck(None)
    surrogate.time_information_ = ("information", cells)
    asked = []

    def tested(*given):
        asked.append(given)
        return SimpleNamespace(sd=np.array([0.2, 0.1]), p_value=0.03)

    monkeypatch.setattr("optimizer.evidence.unlogged.variance_test", tested)
    here = SimpleNamespace(line="a", feed_odds_today=float(logit(FEED)))
    (found,) = unlogged(surrogate, here, np.zeros((1, 5)))
    sizes = np.sqrt(slopes() ** 2 @ [0.04, 0.01])
    assert (found.grade_sd, found.recovery_sd) == pytest.approx(tuple(sizes), rel=1e-3)
    assert (found.line, found.by, found.p_value) == ("a", "lot", 0.03)
    assert asked == [("information", cells, "lot")]
    surrogate.time_information_ = None
    assert unlogged(surrogate, here, np.zeros((1, 5))) == ()
