"""Runs of lines with other numbers of gates, as the settings of one line."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.columns import settings_of
from optimizer.history.history import History
from optimizer.intake.settling.load import load_table
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.history.runs import run

RUNS = pa.table(
    {
        **{name: [2.0] * 4 for name in GRAVITY_TABLE.names[:4]},
        "air": [33.0, None, None, None],
        "air_1": [None, 10.0, 10.0, None],
        "air_2": [None, 20.0, 20.0, None],
        "air_3": [None, None, 30.0, None],
        "air_4": [None, None, 40.0, None],
    }
)


@pytest.mark.parametrize(
    ("gates", "expected"),
    [
        (None, [[33], [15], [25]]),
        (2, [[33, 33], [10, 20], [15, 35]]),
        (4, [[33] * 4, [10, 12.5, 17.5, 20], [10, 20, 30, 40]]),
    ],
)
def test_runs_are_read_for_any_number_of_gates(gates, expected):
    space = GRAVITY_TABLE if gates is None else GRAVITY_TABLE.with_gates("air", gates)
    found = settings_of(RUNS, space)
    assert found.shape == (4, len(space.names))
    assert found[:3, 4:] == pytest.approx(np.array(expected, float))
    assert np.isnan(found[3, 4:]).all()
    assert (found[:, :4] == 2.0).all()


@pytest.fixture
def history(tmp_path):
    """Line A has four gates and few runs, B two, C none; all air rises from the feed end."""
    made = History(tmp_path / "history")
    rows = []
    for day in range(1, 11):
        at = {"started_at": f"2026-01-{day:02d} 08:00", "feed_grade": 0.9}
        low = 20.0 + day
        whole = run(**at, line="C", air=low)
        rows.append(whole)
        rows.append({**whole, "line": "B", "air": None, "air_1": low, "air_2": low + 10})
        if day < 4:
            gates = {f"air_{k}": low + 5 * k for k in range(1, 5)}
            rows.append({**whole, "line": "A", "air": None, **gates})
    names = dict.fromkeys(("air", *(f"air_{k}" for k in range(1, 5))))
    report = load_table([{**names, **row} for row in rows], made, SITE)
    assert report.rejected == 0, report.as_dict()
    return made


SITE = Site.from_dict({"lines": {"A": {"air": {"gates": 4}}, "B": {"air": {"gates": 2}}}})


@pytest.mark.parametrize(
    ("line", "own", "borrowed"),
    [
        ("A", [26, 31, 36, 41], {(21, 23.5, 28.5, 31), (21, 21, 21, 21)}),
        ("B", [21, 31], {(21, 21)}),
        ("C", [21], {(26,)}),
    ],
)
def test_a_line_learns_from_lines_with_other_gates(history, line, own, borrowed):
    """Lines with fewer than eight measured runs are not borrowed from, so A lends none."""
    evidence = evidence_of(history.at().runs(SITE), SITE, Brief(line=line))
    assert evidence.settings[0, 4:].tolist() == own
    assert evidence.borrowed is not None
    found = {tuple(row) for row in evidence.borrowed.settings[:, 4:].tolist()}
    assert borrowed <= found
    assert np.isfinite(evidence.borrowed.settings).all()
    assert len(evidence.borrowed.settings) == (20 if line == "A" else 10)
