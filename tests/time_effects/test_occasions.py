"""When runs were made: occasions, the moment that is asked about, and what can be shown of them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.time_effects.occasions import DAY, SLOW, Occasions


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.time_effects.occasions.FEWEST_RUNS", 12)
    monkeypatch.setattr("optimizer.time_effects.occasions.FEWEST_DAYS", 3)
    monkeypatch.setattr("optimizer.time_effects.occasions.LOOK_BACK", 28.0)


def runs(time, day=None, lot=None, **more) -> Occasions:
    time = np.asarray(time, float)
    day = np.floor(time).astype(int) if day is None else np.asarray(day)
    lot = np.full(len(time), -1) if lot is None else np.asarray(lot)
    return Occasions(time, day, lot, **{"now": float(time[-1]), "day_now": int(day[-1]), **more})


@pytest.mark.parametrize(
    ("day", "enough"),
    [
        ([0] * 4 + [1] * 4 + [2] * 4, True),
        ([0] * 4 + [1] * 4 + [2] * 3, False),
        ([0, 1] * 6, False),
    ],
)
def test_a_dozen_runs_of_three_days_are_enough(day, enough):
    assert runs(np.array(day) + 0.5).enough is enough
    undated = np.append(np.array(day) + 0.5, np.nan)
    assert runs(undated, [*day, -1], now=3.0).enough is enough


@pytest.mark.parametrize(("first", "back"), [(0.0, 28.0), (75.0, 25.0), (99.5, 1.0)])
def test_the_change_is_told_over_four_weeks_or_since_the_first_run(first, back):
    cells = runs([first, 100.0]).cells
    assert cells.weeks == pytest.approx(back / 7.0)
    assert cells.time[-3:].tolist() == [100.0, 100.0, 100.0 - back]


def test_an_event_changes_what_comes_after_it_and_not_what_is_at_its_moment():
    cells = runs([1.0, 2.0, 3.0], events=(2.0, 9.0)).cells
    assert cells.before.tolist() == [[1, 1], [1, 1], [0, 1], [0, 1], [0, 0], [0, 0]]
    assert cells.kinds == (DAY, SLOW, "step")
    assert runs([1.0, 2.0], events=(5.0,), now=9.0).cells.kinds == (DAY, SLOW)


@pytest.mark.parametrize(
    ("lot", "shown"), [([0, 0, -1], False), ([0, 1, -1], True), ([-1, -1, -1], False)]
)
def test_lots_have_effects_where_there_are_several(lot, shown):
    cells = runs([0.5, 1.5, 2.5], lot=lot, lot_now=5).cells
    assert ("lot" in cells.kinds) is shown
    assert cells.lot.tolist()[-3:] == [5, -1, -1]


def test_what_can_be_shown_of_days_goes_with_the_occasions():
    cells = runs([0.5, 1.5], by_day=False, by_habit=True).cells
    assert (cells.by_day, cells.by_habit, cells.kinds) == (False, True, (SLOW,))
    assert SimpleNamespace(**vars(runs([0.5, 1.5]).cells)).by_habit is False


def test_the_slow_component_forgets_and_knows_nothing_of_runs_without_a_time():
    """Days 0 and 3, forgetting in 2 days; the mean time of two runs of one day is 0.4."""
    cells = runs([np.nan, 0.2, 0.6, 3.4], [-1, 0, 0, 3]).cells
    assert cells.count == 3
    found = cells.correlation(SLOW, np.log(2.0))
    assert found[0].tolist() == [0.0] * 6
    assert found[1, 2] == pytest.approx(np.exp(-1.5))
    assert found[2, 3:].tolist() == pytest.approx([1.0, 1.0, np.exp(-1.5)])


def test_a_run_on_the_day_of_number_0_is_dated_and_one_without_a_day_is_not():
    assert runs([0.5]).dated
    assert not runs([np.nan], [-1], now=1.0).dated
