"""A few damaged forms and bodies; ``python -m tests.fuzz.requests`` sends as many as one likes."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from tests.fuzz import requests
from tests.fuzz.requests import Fault, Fuzzer, check


@pytest.mark.usefixtures("small_plans")
def test_damaged_requests_are_refused_and_leave_everything_sound(tmp_path):
    fuzzer = Fuzzer(tmp_path, seed=7)
    assert fuzzer.run(60) == []
    assert sum(fuzzer.statuses.values()) == 60
    assert sum(n for status, n in fuzzer.statuses.items() if 400 <= status < 500) > 30


ANSWERS = {
    "a fault": (500, "text/html", b"", "status 500"),
    "no problem document": (422, "application/json", b"{}", "a refusal as"),
    "NaN": (200, "application/json", b'{"a": NaN}', "NaN is not JSON"),
    "half a pair": (200, "application/json", b'{"a": "\\ud800"}', "half a surrogate pair"),
    "another status": (404, "application/problem+json", b'{"status": 403}', "another status"),
    "HTML": (200, "text/html", b"<!DOCTYPE html><title>x</title><p></b>", "HTML"),
    "escape": (200, "text/plain", b"a\x1b[2J", "stands in the answer"),
    "direction": (200, "text/plain", "a\u202e".encode(), "stands in the answer"),
}  # fmt: skip


@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_at_fault_is_found(name):
    status, kind, content, said = ANSWERS[name]
    headers = {"content-type": kind}
    answer = SimpleNamespace(status_code=status, headers=headers, content=content, text="")
    with pytest.raises(Fault, match=said):
        check(answer)


def test_the_same_seed_damages_the_same_way():
    import random

    made = [
        [requests.changed_body(requests.BODIES[0][2], rng) for _ in range(20)]
        + [requests.changed_form(requests.FORMS[0][1], rng) for _ in range(20)]
        for rng in (random.Random(3), random.Random(3), random.Random(4))
    ]
    assert made[0] == made[1] != made[2]
