"""The surprise of a result, and what finished batches taught."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from optimizer.campaign import batches_of
from optimizer.campaign.surprise import WIDTH_90, sentences, surprise_of
from optimizer.history.issued import issued_batches
from optimizer.plant.site import Site
from tests.history.issued import GRADE, RECOVERY, closed, issued, result, said, snapshot

EXPECTED = {"grade": GRADE, "recovery": RECOVERY}


def test_the_width_is_that_of_a_normal_distribution():
    """Source: the quantiles of scipy."""
    assert pytest.approx(2 * norm.ppf(0.95), abs=1e-6) == WIDTH_90


def z(measured, mean, low, high, se):
    return (measured - mean) / math.sqrt(((high - low) / 3.29) ** 2 + se**2)


@pytest.mark.parametrize(
    ("run", "noise", "se"),
    [
        ({"grade_se": 0.004}, {}, 0.004),
        ({"grade_se": 0.004, "grade_count": 10}, {"grade": 0.5}, 0.004),
        ({"grade_count": 500}, {"grade": 0.5}, math.sqrt(0.97 * 0.03 / 500)),
        ({}, {"grade": 0.006}, 0.006),
        ({"grade_se": None, "grade_count": None}, {"grade": None}, 0.0),
    ],
)
def test_the_error_of_a_reading_is_stated_counted_or_usual(run, noise, se):
    found = surprise_of(EXPECTED, {"grade": 0.97, "recovery": None, **run}, noise)
    assert found["grade"] == pytest.approx(z(0.97, 0.98, 0.975, 0.985, se), rel=0.02)
    assert found["recovery"] is None


def test_what_was_not_expected_or_not_measured_does_not_surprise():
    nothing = {name: {"mean": None, "low": 0.0, "high": 1.0} for name in EXPECTED}
    assert surprise_of(nothing, {"grade": 0.9, "recovery": 0.9}, {}) is None
    assert surprise_of(EXPECTED, {"grade": None, "recovery": None}, {}) is None
    exact = {name: {"mean": 0.9, "low": 0.9, "high": 0.9} for name in EXPECTED}
    assert surprise_of(exact, {"grade": 0.95, "recovery": 0.9}, {}) is None


@pytest.mark.parametrize(
    ("grade", "words"),
    [
        (1.9, None),
        (2.0, None),
        (2.1, "is higher than"),
        (-2.9, "is lower than"),
        (3.0, "is higher than"),
        (3.1, "is far higher than"),
    ],
)
def test_a_sentence_says_how_surprising(grade, words):
    found = sentences("a-1.1", {"grade": grade, "recovery": None})
    assert len(found) == (words is not None)
    assert all(words in each and "a-1.1: the grade" in each for each in found)


# ------------------------------------------------------------------ documents


def document(events, runs):
    return batches_of(issued_batches(snapshot(events, runs), Site()), Site()).as_dict()


def test_the_document_of_a_batch():
    runs = [result("a-1.2", 5, air=33.0, grade=0.972, grade_se=0.003)]
    (batch,) = document([issued(), said("started", "a-1.1")], runs)["batches"]
    assert list(batch) == ["schema", "batch", "line", "issued_at", "issued_by", "closed_at",
                           "history_version", "brief", "plan", "trials"]  # fmt: skip
    assert (batch["schema"], batch["batch"]) == ("highside.batch/1", "a-1")
    assert (batch["issued_at"], batch["closed_at"]) == ("2026-05-04T12:00:00Z", None)
    first, second = batch["trials"]
    assert (first["state"], first["run"], first["measured"]) == ("running", None, None)
    assert first["run_id"] is first["surprise"] is None
    assert (second["state"], second["run_id"], second["rank"]) == ("done", "a-1.2", 1)
    assert (second["planned"]["air"], second["run"]["air"]) == (35.0, 33.0)
    assert second["measured"] == {"grade": 0.972, "grade_se": 0.003, "recovery": 0.9,
                                  "recovery_se": None}  # fmt: skip
    assert second["surprise"]["grade"] == pytest.approx(-1.87, abs=0.01)
    assert second["expected"] == EXPECTED


def test_a_failed_trial_has_no_readings():
    runs = [result("a-1.1", deck_state="boiling", grade=None, recovery=None)]
    (batch,) = document([issued()], runs)["batches"]
    trial = batch["trials"][0]
    assert (trial["state"], trial["surprise"]) == ("failed", None)
    assert set(trial["measured"].values()) == {None}


def test_what_finished_batches_taught():
    events = [issued("a", 1), issued("b", 1), issued("a", 2, trials=3), closed("a-2", 50)]
    runs = [
        result("a-1.1", 3, grade=0.976, recovery=0.93, feed_rate=1.5),
        result("a-1.2", 6, grade=0.970, recovery=0.99),
        result("a-2.1", 9, deck_state="boiling", grade=None, recovery=None),
        result("a-2.2", 9, grade=0.976, recovery=0.91),
        result("b-1.1", 9, line="b"),
    ]
    first, second = document(events, runs)["taught"]
    assert (first["batch"], second["batch"]) == ("a-1", "a-2")
    assert (first["done"], first["met"], first["minutes"]) == (2, 1, 60.0)
    assert first["material_t"] == pytest.approx((1.5 + 2.0) * 0.5)
    assert first["best_so_far"] == {"trial": "a-1.1", "grade": 0.976, "recovery": 0.93}
    squares = [((g - 0.98) / (0.01 / 3.29)) ** 2 for g in (0.976, 0.970)]
    assert first["surprise"]["grade"] == pytest.approx(math.sqrt(sum(squares) / 2), rel=1e-3)
    counts = [second[k] for k in ("done", "failed", "skipped", "left", "met")]
    assert counts == [1, 1, 0, 1, 1]
    assert second["best_so_far"]["trial"] == "a-1.1"  # still the best of the line
    assert second["minutes"] == 60.0
    closed_at = [lesson["closed_at"][11:16] for lesson in (first, second)]
    assert closed_at == ["12:06", "12:50"]
    assert document(events, runs)["batches"][0]["closed_at"] == first["closed_at"]


def test_what_an_open_batch_taught_so_far():
    events = [issued("a", 1, trials=4), said("started", "a-1.1")]
    runs = [result("a-1.2", feed_rate=1.5), result("a-1.3", feed_rate=None)]
    (lesson,) = batches_of(issued_batches(snapshot(events, runs), Site()), Site()).lessons
    assert (lesson.done, lesson.left, lesson.closed_at) == (2, 2, None)
    assert lesson.material_t is lesson.material_mass is None  # one run does not tell its feed


def test_before_any_run_a_batch_took_no_feed_and_has_no_best_reading():
    (lesson,) = batches_of(issued_batches(snapshot([issued()]), Site()), Site()).lessons
    assert (lesson.material_t, lesson.minutes, lesson.best_so_far) == (0.0, 0.0, None)
    assert lesson.as_dict()["best_so_far"] is None
    assert lesson.surprise == {"grade": None, "recovery": None}


def test_without_a_grade_to_reach_none_is_counted_as_met():
    events = [issued(goal={"min_grade": None}, trials=2)]
    runs = [result("a-1.1", recovery=0.91), result("a-1.2", grade=0.9)]
    (lesson,) = batches_of(issued_batches(snapshot(events, runs), Site()), Site()).lessons
    assert lesson.met is None
    assert lesson.best_so_far.trial == "a-1.1"


def test_a_grade_that_is_just_reached_is_met():
    (lesson,) = batches_of(
        issued_batches(snapshot([issued()], [result("a-1.1", grade=0.975)]), Site()), Site()
    ).lessons
    assert (lesson.met, lesson.best_so_far.grade) == (1, 0.975)
