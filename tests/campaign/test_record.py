"""Batches as people at the deck see them."""

from __future__ import annotations

from types import SimpleNamespace

from optimizer.campaign.record import RUNNING, TO_RUN, Batch, Trial
from optimizer.history.issued import DONE, IssuedTrial
from tests.history.issued import GRADE, RECOVERY, SETTINGS


def batch(*states: str, is_open: bool) -> Batch:
    """A batch with trials in these states, numbered in their order of issue."""
    trials = (
        SimpleNamespace(number=k, issued=SimpleNamespace(state=state))
        for k, state in enumerate(states)
    )
    return Batch(SimpleNamespace(is_open=is_open), tuple(trials))


def numbers(made: Batch) -> list[int]:
    return [trial.number for trial in made.in_turn]


def test_of_an_open_batch_what_runs_comes_first_then_what_is_to_run_then_what_is_settled():
    states = ("done", TO_RUN, "skipped", RUNNING, TO_RUN)
    assert numbers(batch(*states, is_open=True)) == [3, 1, 4, 0, 2]
    assert numbers(batch(*states, is_open=False)) == [0, 1, 2, 3, 4]


def tried(run=None, reason=None, z=None) -> Trial:
    """The first trial of a batch, of rank 2, in the state that follows from its run."""
    state = TO_RUN if run is None else DONE
    expected = {"grade": GRADE, "recovery": RECOVERY}
    issued = IssuedTrial("a-1.1", 1, 2, SETTINGS, expected, state, run, ("air",), reason)
    return Trial(issued, None if z is None else {"grade": z, "recovery": None})


def test_a_trial_tells_its_reason_only_where_it_has_one():
    assert "reason" not in tried().as_dict()
    assert tried(reason="no feed").as_dict()["reason"] == "no feed"


def test_a_trial_tells_what_was_measured_and_of_middlings_what_was_read():
    run = {"run_id": "a-1.1", "air": 33.0, "grade": 0.98, "middlings_share": 0.12}
    found = tried(run).as_dict()
    assert found["measured"] == {
        "grade": 0.98, "grade_se": None, "recovery": None, "recovery_se": None,
        "middlings_share": 0.12,
    }  # fmt: skip
    assert (found["run"], found["run_id"]) == ({"air": 33.0}, "a-1.1")
    assert tried().as_dict()["measured"] is None


def test_a_trial_and_its_batch_say_what_surprises():
    (said,) = tried(z=-2.5).says
    assert said.startswith("a-1.1: the grade is lower than expected")
    assert Batch(SimpleNamespace(), (tried(z=-2.5), tried(z=1.0), tried())).says == (said,)


def test_rows_of_a_batch_have_its_line_and_the_plan_s_columns():
    plain = ("chance_of_grade", "expected_gain", "material_t", "minutes", "why", "watch")
    planned = [
        {"rank": 3 - k, "order": k, "settings": {"air": 30.0 + k}, "grade": GRADE,
         "recovery": RECOVERY, **dict.fromkeys(plain)}
        for k in (2, 1)
    ]  # fmt: skip
    issued = SimpleNamespace(line="a", plan={"recommendations": planned})
    (row,) = Batch(issued, (tried(),)).rows()
    assert (row["run_id"], row["line"]) == ("a-1.1", "a")
    assert (row["rank"], row["order"], row["air"]) == (2, 1, 31.0)
    assert (row["grade_low"], row["recovery_high"]) == (GRADE["low"], RECOVERY["high"])
    assert set(plain) < set(row)
