"""The rest of the library uses only those members of a surrogate that its protocol names."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.comparison import compare
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.evidence import line_model
from optimizer.evidence.fitting import fit_surrogate
from optimizer.history.snapshot import Snapshot
from optimizer.model.fitted_surrogate import FittedSurrogate
from optimizer.planning import situation
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.simulation import demo_deck, demo_material
from tests.conftest import run_table

NAMES = {name for name in vars(FittedSurrogate) if not name.startswith("_")}


class ProtocolOnly:
    """A surrogate that offers only the members of the protocol."""

    def __init__(self, surrogate):
        self._surrogate = surrogate

    def __getattr__(self, name):
        if name not in NAMES:
            raise AttributeError(f"the protocol names no {name!r}")
        return getattr(self._surrogate, name)


@pytest.fixture
def table(monkeypatch, small_plans):
    """30 runs of a deck; every surrogate fitted in the test offers only the protocol."""

    def reduced(evidence, seed, exact=False):
        return ProtocolOnly(fit_surrogate(evidence, seed, exact))

    for room in (situation, line_model):
        monkeypatch.setattr(room, "fit_surrogate", reduced)
    rng = np.random.default_rng(0)
    usual = np.array([2.4, 3.0, 2.9, 465.0, 41.0])
    near = usual + 0.1 * GRAVITY_TABLE.span * rng.standard_normal((30, 5))
    settings = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(near))
    read = demo_deck("deck-1").measure(settings, demo_material(), rng)
    state, grade, recovery = read.deck_state, read.grade, read.recovery
    return run_table(settings, grade, recovery, state, "deck-1", feed_grade=[0.93] * 30)


def test_a_plan_uses_only_the_protocol(table):
    for goal in ({"min_grade": 0.97}, {"maximise": "trade-off", "min_grade": 0.9}):
        plan = suggest(
            Snapshot.of_table(table),
            Site(),
            Brief.from_dict({"goal": goal, "trials": {"count": 2}}),
        )
        assert len(plan.recommendations) == 2


def test_diagnosis_and_comparison_use_only_the_protocol(table):
    assert diagnose(Snapshot.of_table(table), Site()).lines
    assert compare(
        Snapshot.of_table(table), Site(), Brief.from_dict({"goal": {"min_grade": 0.95}})
    ).lines
