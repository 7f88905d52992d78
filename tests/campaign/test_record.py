"""Batches as people at the deck see them."""

from __future__ import annotations

from types import SimpleNamespace

from optimizer.campaign.record import RUNNING, TO_RUN, Batch


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
