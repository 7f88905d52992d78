"""The state of issued trials follows from the events and the runs of a version."""

from __future__ import annotations

import pytest

from optimizer.errors import InputError
from optimizer.history.issued import find_batch, find_trial, issued_batches
from optimizer.history.issued_numbers import next_number
from optimizer.plant.site import Site
from tests.history.issued import (
    closed,
    issued,
    minute,
    result,
    said,
    snapshot,
    withdrawn,
)

ONE, TWO = "a-1.1", "a-1.2"


def states(events, runs=()):
    (batch,) = issued_batches(snapshot(events, runs))
    return [trial.state for trial in batch.trials]


# ------------------------------------------------------------------ states


@pytest.mark.parametrize(
    ("events", "runs", "state"),
    [
        ([], [], "to run"),
        ([said("started", ONE)], [], "running"),
        ([said("skipped", ONE, reason="wet")], [], "skipped"),
        ([said("skipped", ONE), said("reopened", ONE)], [], "to run"),
        ([said("started", ONE), said("reopened", ONE)], [], "to run"),
        ([said("started", ONE), said("skipped", ONE)], [], "skipped"),
        ([], [result(ONE)], "done"),
        ([], [result(ONE, deck_state=None)], "done"),
        ([], [result(ONE, deck_state="boiling", grade=None, recovery=None)], "failed"),
        ([said("started", ONE)], [result(ONE)], "done"),
        # A skipped trial that was run after all.
        ([said("skipped", ONE)], [result(ONE)], "done"),
        # A run that was withdrawn is gone from the table.
        ([said("started", ONE), withdrawn(ONE)], [], "to run"),
        ([said("skipped", ONE), withdrawn(ONE)], [], "to run"),
        ([withdrawn(ONE), said("started", ONE)], [], "running"),
        ([withdrawn(ONE)], [result(ONE)], "done"),
        # Events and runs of others.
        ([said("started", TWO)], [result(TWO)], "to run"),
        ([], [result(ONE, line="b")], "to run"),
        ([], [result("a-1.11")], "to run"),
        ([withdrawn("a-2.1"), said("skipped", "a-2.1")], [], "to run"),
    ],
)
def test_the_state_of_a_trial(events, runs, state):
    assert states([issued(), *events], runs)[0] == state


def test_a_trial_keeps_its_order_rank_and_plan():
    batch = find_batch(snapshot([issued()]), "a-1")
    assert [(t.trial, t.order, t.rank) for t in batch.trials] == [(ONE, 1, 2), (TWO, 2, 1)]
    assert batch.trials[1].planned["air"] == 35.0
    assert batch.trials[0].expected["grade"]["mean"] == 0.98
    assert (batch.issued_by, batch.issued_at, batch.number) == ("anna", minute(0), 1)


def test_the_run_says_how_the_trial_was_run():
    _, trial = find_trial(snapshot([issued()], [result(ONE, air=33.0)]), ONE)
    assert (trial.planned["air"], trial.as_run["air"]) == (34.0, 33.0)
    assert trial.run["grade"] == 0.98


def test_a_reason_is_kept_while_the_trial_is_skipped():
    events = [issued(), said("skipped", ONE, reason="wet")]
    assert find_trial(snapshot(events), ONE)[1].reason == "wet"
    assert find_trial(snapshot(events, [result(ONE)]), ONE)[1].reason is None
    assert find_trial(snapshot([*events, said("reopened", ONE)]), ONE)[1].reason is None


def test_the_run_of_another_line_is_not_the_result_of_a_trial():
    seen = snapshot([issued("a"), issued("b")], [result(ONE, line="b")])
    assert [t.state for b in issued_batches(seen) for t in b.trials] == ["to run"] * 4


# ------------------------------------------------------------------ open and closed


@pytest.mark.parametrize(
    ("events", "runs", "closed_at", "pending"),
    [
        ([], [], None, [ONE, TWO]),
        ([said("started", ONE)], [], None, [ONE, TWO]),
        ([said("skipped", ONE)], [], None, [TWO]),
        ([], [result(ONE)], None, [TWO]),
        ([closed("a-1", 9)], [], 9, []),
        ([closed("a-1", 9)], [result(ONE, 3)], 9, []),
        ([closed("a-1", 9)], [result(ONE, 3), result(TWO, 12)], 9, []),
        # Complete: at the latest start of a run or skip, but not before the issue.
        ([], [result(ONE, 3), result(TWO, 8)], 8, []),
        ([said("skipped", TWO, 6)], [result(ONE, 3)], 6, []),
        ([], [result(ONE, -60), result(TWO, None)], 0, []),
        ([said("skipped", TWO, 6)], [result(ONE, deck_state="boiling")], 6, []),
        # A withdrawal opens a complete batch, but not one that was closed by hand.
        ([withdrawn(TWO)], [result(ONE, 3)], None, [TWO]),
        ([closed("a-1", 9), withdrawn(TWO, 10)], [result(ONE, 3)], 9, []),
        ([said("skipped", TWO), said("reopened", TWO)], [result(ONE)], None, [TWO]),
    ],
)
def test_a_batch_is_open_until_it_is_closed_or_complete(events, runs, closed_at, pending):
    batch = find_batch(snapshot([issued(), *events], runs), "a-1")
    assert batch.closed_at == (None if closed_at is None else minute(closed_at))
    assert batch.is_open == (closed_at is None)
    assert [t.trial for t in batch.pending] == pending


# ------------------------------------------------------------------ ids


NAMES = ["a", "a-1", "a-1.1", "a-", "-", "1", "1.2", "a.b-1.2-3", "Linie ä/2", "a-1.1-1", "a 1-"]


def test_ids_of_lines_of_any_name_are_unambiguous():
    events = [issued(line, number) for line in NAMES for number in (1, 2, 11)]
    runs = [result(f"{line}-1.2", line=line) for line in NAMES]
    seen = snapshot(events, runs)
    batches = issued_batches(seen)
    trials = [trial.trial for batch in batches for trial in batch.trials]
    assert len(set(trials)) == len(trials)
    assert not set(trials) & {batch.batch for batch in batches}
    for batch in batches:
        assert find_batch(seen, batch.batch) == batch
        for trial in batch.trials:
            assert find_trial(seen, trial.trial) == (batch, trial)
            first = batch.number == 1 and trial.order == 2
            assert trial.state == ("done" if first else "to run")


def test_numbers_count_up_on_a_line():
    events = [issued("a", 1), issued("a-1", 4), issued("a", 2)]
    seen = snapshot(events)
    assert [next_number(seen, line) for line in ("a", "a-1", "b")] == [3, 5, 1]


def test_a_number_is_passed_over_where_a_run_would_be_taken_for_a_result():
    runs = [result("a-1.1"), result("a-2.17"), result("a-3.1", line="b"), result("a-30.1")]
    assert next_number(snapshot([], runs), "a") == 3


@pytest.mark.parametrize(
    ("find", "given", "said_"),
    [
        (find_batch, "a-2", r"there is no batch 'a-2'. Did you mean 'a-1'\?"),
        (find_batch, "a-1.1", "there is no batch 'a-1.1'"),
        (find_trial, "a-1.3", r"there is no trial 'a-1.3'. Did you mean 'a-1.[12]'\?"),
        (find_trial, "a-1", "there is no trial 'a-1'"),
        (find_trial, "", "there is no trial ''"),
        (find_trial, "b-1.1", r"there is no trial 'b-1.1'. Did you mean 'a-1.1'\?"),
    ],
)
def test_an_unknown_id_is_refused_with_the_nearest(find, given, said_):
    with pytest.raises(InputError, match=said_) as refused:
        find(snapshot([issued()]), given)
    assert refused.value.code.startswith("unknown-")


def test_without_batches_the_hint_says_how_to_issue_one():
    with pytest.raises(InputError, match="suggest --issue"):
        find_trial(snapshot([]), ONE)
    assert issued_batches(snapshot([])) == ()


# ------------------------------------------------------------------ units


def test_planned_settings_follow_a_changed_unit_that_can_be_converted():
    site = Site.from_dict({"settings": {"feed_rate": {"unit": "kg/h", "low": 500, "high": 4000,
                                                      "step": 100}}})  # fmt: skip
    batch, trial = find_trial(snapshot([issued()], [result(ONE)]), ONE, site)
    assert (trial.planned["feed_rate"], batch.units["feed_rate"]) == (2000.0, "kg/h")
    assert trial.as_run["feed_rate"] == 2000.0
    other = Site.from_dict({"settings": {"air": {"unit": "%", "low": 0, "high": 100, "step": 1}}})
    batch, trial = find_trial(snapshot([issued()]), ONE, other)
    assert (trial.planned["air"], batch.units["air"]) == (34.0, "turn")
