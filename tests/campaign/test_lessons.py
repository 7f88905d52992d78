"""What batches taught, read from a whole season and from a part of it."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from optimizer.campaign import batches_in_pieces, batches_of, told_in_turn
from optimizer.campaign.lessons import BestReadings
from optimizer.history.issued import issued_batches
from optimizer.history.issued_numbers import issued_ids, readings_before
from optimizer.plant.site import Site
from tests.history.issued import issued, result, snapshot

SITE = Site()
SHARE = st.sampled_from([None, 0.9, 0.92, 0.94, 0.96])
READINGS = st.lists(st.tuples(SHARE, SHARE), max_size=12)


@given(READINGS, st.sampled_from([None, 0.89, 0.92, 0.95, 0.97]))
def test_the_best_reading_is_the_first_of_the_highest_at_the_grade(readings, goal):
    rows = [{"run_id": str(k), "grade": g, "recovery": r} for k, (g, r) in enumerate(readings)]
    whole = [row for row in rows if None not in row.values()]
    met = [row for row in whole if goal is None or row["grade"] >= goal]
    expected = max(met, key=lambda row: row["recovery"], default=None)
    found = BestReadings({"a": rows}).best("a", goal)
    assert (found and found.trial) == (expected and expected["run_id"])


@given(READINGS)
def test_a_part_of_the_batches_is_told_as_it_is_among_all(readings):
    events = [issued("ab"[k % 2], k // 2 + 1, at=k) for k in range(4)]
    names = [f"{'ab'[k % 2]}-{k // 2 + 1}.{t}" for k in range(4) for t in (1, 2)]
    runs = [
        result(name, line=name[0], grade=grade, recovery=recovery)
        for name, (grade, recovery) in zip(names, readings, strict=False)
    ]
    seen = snapshot(events, runs)
    whole = batches_of(issued_batches(seen, SITE), SITE)
    for first in range(4):
        ids = issued_ids(seen)[first:]
        before = readings_before(seen, None, ids[0])
        part = batches_of(issued_batches(seen, SITE, None, ids), SITE, before)
        assert part.batches == whole.batches[first:]
        assert part.lessons == whole.lessons[first:]


def test_the_document_in_pieces_is_the_whole_document():
    for events in ([], [issued()], [issued("a", 1, note="a\nb \u2028 \\n"), issued("a", 2)]):
        seen = snapshot(events, [result("a-1.1"), result("a-1.2")])
        batches = issued_batches(seen, SITE)
        pieces = b"".join(batches_in_pieces(told_in_turn(batches, SITE)))
        assert json.loads(pieces) == batches_of(batches, SITE).as_dict()
