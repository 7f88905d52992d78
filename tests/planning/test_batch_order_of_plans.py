"""The order of the trials of whole plans."""

from __future__ import annotations

import pytest

from optimizer.history.snapshot import Snapshot
from optimizer.planning.batch_order import in_order
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site


@pytest.mark.parametrize("known", [True, False], ids=["history", "first-batch"])
def test_a_plan_keeps_its_trials_and_chains_its_moves(season_table, known):
    table = season_table if known else season_table.slice(0, 0)
    current = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.0, "eccentric_speed": 450.0}
    brief = Brief.from_dict(
        {"goal": {"min_grade": 0.985}, "current": {**current, "air": 40}, "trials": {"count": 5}}
    )
    plan = suggest(Snapshot.of_table(table), Site(), brief)
    trials = plan.recommendations
    assert [t.rank for t in trials] == [1, 2, 3, 4, 5]
    assert sorted(t.order for t in trials) == [1, 2, 3, 4, 5]
    here = {**current, "air": 40.0}
    for trial in sorted(trials, key=lambda t: t.order):
        for change in trial.changes:
            assert here[change.setting] == change.start
            here[change.setting] = change.end
        assert here == dict(trial.settings)
        assert trial.watch
    # Ordering is idempotent: it depends on the settings alone.
    again = in_order(trials, GRAVITY_TABLE, {**current, "air": 40.0})
    assert again == trials
