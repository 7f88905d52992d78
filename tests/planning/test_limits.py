"""Limits on a batch: how many trials fit the lot and the shift, and the messages that say so."""

from __future__ import annotations

import re

import numpy as np
import pytest

from optimizer.errors import LimitError
from optimizer.planning.limits import Limits
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE, SettingSpace


def limits_of(space: SettingSpace = GRAVITY_TABLE, tonnes_per_unit: float = 1.0, **tables):
    return Limits(space, Brief.from_dict(tables), tonnes_per_unit, seed=0)


def at_feed(rate: float) -> np.ndarray:
    return GRAVITY_TABLE.nearest_index(np.array([[rate, 2.5, 2.5, 450.0, 40.0]]))


def test_a_trial_consumes_its_feed_for_its_minutes():
    """By hand: 2 t/h for 20 + 10 minutes is 1 t, also when the feed rate is stated in kg/h."""
    trials = {"settle_minutes": 20, "sample_minutes": 10}
    assert limits_of(trials=trials).tonnes(at_feed(2.0)) == pytest.approx([1.0])
    in_kilograms = limits_of(tonnes_per_unit=0.001, trials=trials)
    assert in_kilograms.tonnes(at_feed(2.0)) == pytest.approx([0.001])


def test_a_site_without_a_feed_rate_consumes_nothing():
    space = SettingSpace(GRAVITY_TABLE.settings[1:])
    limits = limits_of(space, trials={"material_available": 0.1})
    assert limits.affordable() == (4, [])
    assert limits.tonnes(limits.pool[:3]).tolist() == [0.0, 0.0, 0.0]
    assert not limits.lot_binds


@pytest.mark.parametrize(
    ("trials", "count", "said"),
    [
        ({"count": 5}, 5, ""),
        ({"count": 5, "minutes_available": 95}, 3, "3 of 5 trials fit: 95 minutes"),
        # Rounding must not matter: 3 trials of 30 minutes fit exactly into 90 minutes.
        ({"count": 5, "minutes_available": 90}, 3, "3 of 5 trials fit: 90 minutes"),
        # The lowest feed rate is 0.5 t/h, which consumes 0.25 t per trial.
        ({"count": 5, "material_available": 0.8}, 3, "3 of 5 trials fit: 0.8 t"),
    ],
)
def test_as_many_trials_are_planned_as_fit(trials, count, said):
    found, reasons = limits_of(trials=trials).affordable()
    assert found == count
    assert len(reasons) == (count < 5)
    assert said in "".join(reasons)


@pytest.mark.parametrize("trials", [{"minutes_available": 29}, {"material_available": 0.2}])
def test_a_shift_or_a_lot_too_small_for_one_trial_is_refused(trials):
    with pytest.raises(LimitError, match="not one trial fits") as refused:
        limits_of(trials=trials).affordable()
    assert refused.value.code == "no-trial-fits"
    # What the hint says to write is enough for one trial.
    (key,) = trials
    written = re.search(rf"{key} = ([0-9.]+) or more", refused.value.hint)
    assert limits_of(trials={**trials, key: float(written[1])}).affordable()[0] == 1


def test_a_trial_leaves_the_rest_of_the_batch_its_share():
    limits = limits_of(trials={"count": 4, "material_available": 2.0})
    # Of four trials one takes at most twice an equal share of 0.5 t and leaves each other 0.25 t.
    assert limits.within_lot(at_feed(2.0), spent=0.0, left=4).tolist() == [True]
    assert limits.within_lot(at_feed(2.1), spent=0.0, left=4).tolist() == [False]
    # The last trial may take everything that is left.
    assert limits.within_lot(at_feed(4.0), spent=0.0, left=1).tolist() == [True]
    assert limits.within_lot(at_feed(4.0), spent=0.1, left=1).tolist() == [False]


def test_a_lot_limits_a_batch_that_would_consume_more():
    assert limits_of(trials={"count": 4, "material_available": 2.0}).lot_binds
    assert not limits_of(trials={"count": 4, "material_available": 20.0}).lot_binds
    assert not limits_of(trials={"count": 4}).lot_binds


def test_a_trial_at_almost_no_feed_has_a_bounded_worth():
    limits = limits_of(
        SettingSpace(
            tuple(
                type(s)(s.name, s.unit, 0.0, 4.0, 0.1) if s.name == "feed_rate" else s
                for s in GRAVITY_TABLE.settings
            )
        ),
        trials={"count": 4, "material_available": 2.0},
    )
    nothing = np.zeros((1, 5), dtype=np.int64)
    assert limits.tonnes(nothing).tolist() == [0.0]
    assert np.isfinite(limits.log_tonnes(nothing)).all()
