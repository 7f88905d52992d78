"""Runs collapsed to set-points keep every run and every mean."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.evidence.set_points import collapse_runs
from optimizer.history.snapshot import Snapshot
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site


@pytest.mark.parametrize("most", [800, 30, 5])
def test_collapsing_loses_no_run_and_keeps_every_mean(season_table, most):
    evidence = situation_of(Snapshot.of_table(season_table), Site(), Brief()).evidence
    points = collapse_runs(evidence, most)
    measured = evidence.measured
    assert points.count.sum() == measured.sum()
    assert len(points.count) <= max(most, 32)
    for name in ("grade_logit", "recovery_logit"):
        whole = getattr(evidence.readings, name)[measured].mean()
        assert np.average(getattr(points, name), weights=points.count) == pytest.approx(whole)
    where = np.abs(points.settings[points.owner] - evidence.settings[measured])
    assert np.all(where <= 1.5 * max(points.cell, 1e-9) * evidence.space.span + 1e-9)
