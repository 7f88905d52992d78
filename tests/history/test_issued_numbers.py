"""Which batches are open, and what was read before one, without the plans as they were issued."""

from __future__ import annotations

import pytest

from optimizer.history.issued import issued_batches
from optimizer.history.issued_numbers import ORDERS, issued_ids, readings_before, unsettled_ids
from optimizer.history.storage.event_log import Event
from tests.history.issued import closed, issued, result, said, snapshot, withdrawn

ELSEWHERE = Event("withdrawn", said("x", "a-1.1").at, None, {"run_id": "a-1.1", "line": "b"})
CASES = {
    "nothing happened": ([], [], ["a-1"]),
    "one of two has a result": ([], [result("a-1.1")], ["a-1"]),
    "both have results": ([], [result("a-1.1"), result("a-1.2", deck_state="boiling")], []),
    "a result and a skip": ([said("skipped", "a-1.2")], [result("a-1.1")], []),
    "a skip that was taken back": (
        [said("skipped", "a-1.2"), said("reopened", "a-1.2")], [result("a-1.1")], ["a-1"],
    ),
    "a start is no result": ([said("started", "a-1.2")], [result("a-1.1")], ["a-1"]),
    "closed by hand": ([closed("a-1")], [], []),
    "skipped, run all the same, and that run withdrawn": (
        [said("skipped", "a-1.2"), withdrawn("a-1.2")], [result("a-1.1")], ["a-1"],
    ),
    "a run of that id was withdrawn on another line": (
        [said("skipped", "a-1.1"), ELSEWHERE], [result("a-1.2")], [],
    ),
    "results of another line": ([], [result("a-1.1", line="b"), result("a-1.2")], ["a-1"]),
}  # fmt: skip


def light(event: Event) -> Event:
    """An issued event as it is stored now, with the orders of its trials, and a plan that nobody
    may look at."""
    orders = sorted(each["order"] for each in event.about["plan"]["recommendations"])
    return Event(event.what, event.at, event.by, {**event.about, ORDERS: orders, "plan": None})


@pytest.mark.parametrize("named", CASES)
def test_an_open_batch_is_one_with_a_trial_that_is_not_settled(named):
    events, runs, expected = CASES[named]
    whole = snapshot([issued(), *events], runs)
    assert [each.batch for each in issued_batches(whole) if each.is_open] == expected
    assert unsettled_ids(whole, "a") == expected  # an event of an older program has only a plan
    assert unsettled_ids(snapshot([light(issued()), *events], runs), "a") == expected


def test_open_batches_are_those_of_the_line_in_the_order_of_their_issue():
    seen = snapshot([issued("a", 2), issued("b", 1), issued("a", 1), closed("b-1")])
    assert unsettled_ids(seen, "a") == ["a-2", "a-1"]
    assert unsettled_ids(seen, "b") == []
    assert issued_ids(seen) == ("a-2", "b-1", "a-1")
    assert issued_ids(seen, "a") == ("a-2", "a-1")


def test_the_readings_before_a_batch_are_those_of_earlier_trials_on_an_even_deck():
    events = [light(issued("a", k)) for k in (1, 2, 3)] + [light(issued("b", 1))]
    runs = [result("a-2.1", recovery=0.91), result("a-1.2", deck_state=None, recovery=0.92),
            result("a-1.1", recovery=0.93), result("a-2.2", deck_state="boiling"),
            result("a-3.1"), result("r7"), result("a-1.9"),
            result("b-1.1", line="b", grade=None)]  # fmt: skip
    seen = snapshot(events, runs)
    found = readings_before(seen, "a", "a-3")
    assert [(each["run_id"], each["recovery"]) for each in found["a"]] == [
        ("a-1.1", 0.93), ("a-1.2", 0.92), ("a-2.1", 0.91),
    ]  # fmt: skip
    assert list(found) == ["a"]
    assert readings_before(seen, None, "a-1") == {}
    assert readings_before(seen, None, "b-1")["a"][-1]["run_id"] == "a-3.1"
