"""The plan of the demo beats the season, judged by the true values of the simulator.

The best run of the season is chosen by its log: the highest recovery read where the grade read met
the goal, at a feed rate that the brief allows. The true values then judge this run and the plan.
"""

from __future__ import annotations

import numpy as np
import pyarrow.compute as pc
import pytest

from optimizer import Brief, History, Site, load_logs, suggest
from optimizer.operations.demo import LOGS, season_folder
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import demo_deck, demo_material

NAMES = GRAVITY_TABLE.names


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    site = Site.read(season_folder() / "site.toml")
    history = History(tmp_path_factory.mktemp("season") / "history")
    load_logs([season_folder() / name for name in LOGS], history, site)
    return site, history


def truth(line, values):
    response = demo_deck(line).run(np.atleast_2d(values), demo_material())
    return response.recovery, response.grade


@pytest.mark.parametrize("line", ["deck-1", "deck-2", "deck-3"])
def test_run_now_beats_the_best_run_of_the_season(season, line):
    site, history = season
    brief = Brief.read(season_folder() / "brief.toml", line=line, trials__count=1)
    if line != "deck-1":
        # The brief states the current settings of deck-1; the other decks may move freely.
        brief = brief.model_copy(update={"current": {}})
    plan, names = suggest(history.at(), site, brief), site.space_of(line).names
    recovery, grade = truth(line, [plan.run_now.settings[n] for n in names])
    assert grade[0] >= 0.985

    runs = history.at().runs(site=site).filter(pc.field("line") == line)
    values = np.column_stack([runs[n].to_numpy() for n in names])
    read_grade, read_recovery = runs["grade"].to_numpy(), runs["recovery"].to_numpy()
    met = (read_grade >= 0.985) & (values[:, 0] >= brief.capacity.min_feed_rate)
    best = np.flatnonzero(met)[np.argmax(read_recovery[met])]
    best_recovery, best_grade = truth(line, values[best])
    # A run with a lucky reading may truly miss the grade; then it is worth nothing.
    assert recovery[0] > best_recovery[0] or best_grade[0] < 0.985
    # On every deck the plan gains points of recovery over the habit of the operators.
    assert recovery[0] > np.median(truth(line, values[met])[0]) + 0.01


@pytest.mark.proof
def test_two_shifts_of_trials_come_near_the_attainable_recovery(season, tmp_path):
    """A closed loop on deck-1: eight trials, each run and read on the simulated deck."""
    from optimizer.intake.settling.load import load_table

    site, _ = season
    brief = Brief.read(season_folder() / "brief.toml", trials__count=4)
    deck, rng = demo_deck("deck-1"), np.random.default_rng(5)
    own = History(tmp_path / "history")
    load_logs([season_folder() / "deck-1.csv"], own, site)
    for shift in range(2):
        plan = suggest(own.at(), site, brief)
        rows = []
        for k, trial in enumerate(plan.recommendations):
            values = np.array([[trial.settings[n] for n in NAMES]])
            read = deck.measure(values, demo_material(), rng)
            failed = bool(np.isnan(read.grade[0]))
            rows.append(
                {
                    **trial.settings,
                    **plan.material,
                    "line": "deck-1",
                    "started_at": f"2026-02-0{shift + 1} {8 + k:02d}:00",
                    "grade": None if failed else float(read.grade[0]),
                    "recovery": None if failed else float(read.recovery[0]),
                    "grade_count": read.grade_count,
                    "deck_state": str(read.deck_state[0]),
                }
            )
        assert load_table(rows, own, site).added == 4
    plan = suggest(own.at(), site, Brief.read(season_folder() / "brief.toml", trials__count=1))
    recovery, grade = truth("deck-1", [plan.run_now.settings[n] for n in NAMES])
    assert grade[0] >= 0.984
    # Attainable: 0.948 (search of the whole lattice, tests/simulation/test_deck.py); habit: 0.843.
    assert recovery[0] > 0.88
