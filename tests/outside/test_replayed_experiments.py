"""The planner on published measurements: a closed loop in which a trial is a look-up.

Sources in ``data/README.md``: two designed experiments on lattices, one with real replicates. Each
has one response, a share, which is used as the recovery; the grade always holds. A trial returns
one reading of its setting, chosen at random where there are replicates. The number of trials of a
random search is exact: it draws N settings without replacement, of which k are good.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from scipy.stats import binom, hypergeom

from optimizer.comparison import compare
from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.settings import Setting, SettingSpace
from optimizer.plant.site import Site
from tests.benchmarks.replays.shares import run_log

DATA = Path(__file__).parent / "data"
GOOD = 5
STARTS = 5

FULLERENES = SettingSpace(
    (
        Setting("reaction_time", "min", 3.0, 31.0, 5.6),
        Setting("sultine", "", 1.5, 6.0, 0.9),
        Setting("temperature", "deg C", 100.0, 150.0, 10.0),
    )
)
# The levels of one reagent (1, 1.2, 1.5 and 1.8 equivalents) have uneven steps: they are numbered.
SUZUKI = SettingSpace(
    (
        Setting("temperature", "deg C", 75.0, 90.0, 5.0),
        Setting("pd_mol", "%", 0.5, 5.0, 1.5),
        Setting("arbpin", "level", 0.0, 3.0, 1.0),
        Setting("k3po4", "", 1.5, 3.0, 0.5),
    )
)


def fullerenes() -> tuple[SettingSpace, np.ndarray, np.ndarray]:
    rows = np.loadtxt(DATA / "fullerenes.csv", delimiter=",", skiprows=1)
    return FULLERENES, rows[:, :3], rows[:, 3]


def suzuki() -> tuple[SettingSpace, np.ndarray, np.ndarray]:
    rows = np.loadtxt(DATA / "suzuki.csv", delimiter=",", skiprows=1)
    rows[:, 2] = np.searchsorted([1.0, 1.2, 1.5, 1.8], rows[:, 2])
    return SUZUKI, rows[:, :4], rows[:, 4] / 100.0


def look_ups(
    space: SettingSpace, values: np.ndarray, shares: np.ndarray, most: int, seed: int
) -> int:
    """Number of look-ups until one of the best settings was tried; most + 1 when none was."""
    rng = np.random.default_rng(seed)
    index = space.nearest_index(values)
    np.testing.assert_allclose(space.values(index), values, atol=1e-6)
    readings: dict[tuple[int, ...], list[float]] = {}
    for point, share in zip(map(tuple, index), shares, strict=True):
        readings.setdefault(point, []).append(float(share))
    best = set(sorted(readings, key=lambda p: -np.mean(readings[p]))[:GOOD])
    settings = list(readings)
    tried = [settings[k] for k in rng.choice(len(settings), STARTS, replace=False)]
    read = [rng.choice(readings[p]) for p in tried]
    while not best & set(tried) and len(tried) < most:
        plan = suggest(
            Snapshot.of_table(log(space, tried, read)),
            Site(base=space),
            Brief.from_dict({"goal": {"min_grade": 0.9}, "trials": {"count": 1}}),
            seed=seed,
        )
        named = plan.recommendations[0].settings
        point = tuple(space.nearest_index(np.array([[named[n] for n in space.names]]))[0])
        tried.append(point)
        # A combination without a measurement gives no reading and counts as a look-up.
        read.append(rng.choice(readings[point]) if point in readings else np.nan)
    found = [k for k, point in enumerate(tried, 1) if point in best]
    return found[0] if found else most + 1


def log(space: SettingSpace, tried: list[tuple[int, ...]], read: list[float]) -> pa.Table:
    share = np.clip(read, 0.005, 0.995)
    return run_log(space, space.values(np.array(tried)), 0.95, share, 0.5, line="reactor")


@pytest.mark.parametrize(
    ("experiment", "most"),
    [pytest.param(fullerenes, 20, marks=pytest.mark.proof), (suzuki, 12)],
)
def test_a_best_setting_is_found_sooner_than_by_chance(experiment, most):
    # Seeds 0 to 4 have different starts and replicates; four of five campaigns need at most `most`
    # look-ups. The hypergeometric distribution gives that probability for a random search; four of
    # five are very unlikely by chance. Its median numbers of look-ups are 28 and 32.
    space, values, shares = experiment()
    settings = len(np.unique(values, axis=0))
    one = hypergeom.sf(0, settings, GOOD, most)
    assert binom.sf(3, 5, one) < 0.1
    needed = [look_ups(space, values, shares, most, seed) for seed in range(5)]
    assert np.sum(np.array(needed) <= most) >= 4, needed


def test_six_temperatures_of_a_designed_experiment_are_ranked_as_lines():
    # Each temperature of the fullerene experiment becomes a line with two settings. 18 of its 36
    # combinations are read (seed 0), and its attainable recovery is compared with the best of all
    # 36 measurements, 0.926 to 0.953. The best must lie within 1.5 points of the mean and, for at
    # least four of six lines, inside the 90 % interval. The best three lines must come first, the
    # third in its place: the best of 100 and of 110 degrees differ by 0.4 points, a sixth of the
    # half width of their intervals, so that their order is not asked for.
    space, values, shares = fullerenes()
    two = SettingSpace(space.settings[:2])
    rng = np.random.default_rng(0)
    tables, best = [], {}
    for level in np.unique(values[:, 2]):
        own = np.flatnonzero(values[:, 2] == level)
        points, group = np.unique(values[own, :2], axis=0, return_inverse=True)
        mean = np.bincount(group.ravel(), shares[own]) / np.bincount(group.ravel())
        pick = rng.choice(len(points), 18, replace=False)
        name = f"{level:g}"
        best[name] = float(mean.max())
        tried = [tuple(p) for p in two.nearest_index(points[pick])]
        made = log(two, tried, list(mean[pick]))
        tables.append(made.set_column(0, "line", pa.array([name] * len(pick))))
    brief = Brief.from_dict({"goal": {"min_grade": 0.9}})
    document = compare(
        Snapshot.of_table(pa.concat_tables(tables)), Site(base=two), brief, workers=1
    ).as_dict()
    reach = {line["line"]: line["attainable"]["recovery"] for line in document["lines"]}
    for name, value in reach.items():
        assert value["mean"] == pytest.approx(best[name], abs=0.015), name
    assert sum(v["low"] <= best[n] <= v["high"] for n, v in reach.items()) >= 4
    ranked = sorted(best, key=lambda n: -best[n])
    assert set(list(reach)[:2]) == set(ranked[:2])
    assert list(reach)[2] == ranked[2]
