"""Minute logs of sensors: change points of settings, drop-outs, and results of a laboratory."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.history.history import History
from optimizer.history.storage.samples import SampleStore
from optimizer.intake.settling.load import load_logs, load_tables
from optimizer.intake.settling.load_options import LoadOptions
from optimizer.intake.stretches.change_points import FEWEST, OUTSIDE, levels, scatter
from optimizer.plant.site import Site
from optimizer.presentation.stretches import stretches_html

DAY = datetime.datetime(2025, 3, 3, 6, tzinfo=datetime.UTC)
NAMES = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
STEPS = {"feed_rate": 0.1, "eccentric_speed": 5.0}


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


# -- scatter and levels --------------------------------------------------------------------------


def test_scatter_is_the_standard_deviation_of_the_sensor_in_spite_of_changes_and_drop_outs() -> (
    None
):
    rng = np.random.default_rng(1)
    values = np.repeat([2.0, 2.5, 1.8, 3.1], 100) + rng.normal(0, 0.02, 400)
    values[[50, 150, 333]] = 0.0
    assert scatter(values, 0.1, 0.5) == pytest.approx(0.02, rel=0.15)


@pytest.mark.parametrize(
    "values",
    [
        np.repeat([2.0, 2.1, 2.0, 2.4], 10),
        np.repeat([2.0, 2.1, 2.0, 2.4, 2.2], 2),
        np.array([2.0, 2.5, 1.8, 3.1, 2.2, 2.9, 1.7, 3.3]),
        np.full(50, 2.033),
    ],
)
def test_typed_settings_have_no_scatter(values: np.ndarray) -> None:
    assert scatter(values, 0.1, 0.5) == 0.0


def test_a_sensor_that_shows_whole_steps_scatters_too() -> None:
    rng = np.random.default_rng(2)
    shown = np.rint(450.0 + rng.normal(0, 0.8, 200))
    assert scatter(shown, 1.0, 300.0) == pytest.approx(0.85, rel=0.2)  # with rounding: sqrt(1/12)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    lengths=st.lists(st.integers(8, 40), min_size=1, max_size=6),
    dimensions=st.integers(1, 3),
)
def test_divisions_cost_no_more_than_those_of_another_library(seed, lengths, dimensions) -> None:
    """`ruptures.Dynp` finds the cheapest division into a given number of parts; ours, with as many,
    costs the same, and no division into another number costs less with the penalty."""
    rng = np.random.default_rng(seed)
    values = np.concatenate(
        [rng.normal(rng.normal(0, 3, dimensions), 1.0, (n, dimensions)) for n in lengths]
    )
    n = len(values)
    penalty = 2.0 * (dimensions + 1) * np.log(n)
    pelt = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(values)
    theirs = pelt.predict(pen=penalty)
    found = _ends(levels(values, np.ones(dimensions), np.full(dimensions, 1e-9)))
    if min(np.diff([0, *theirs])) >= FEWEST:  # shorter parts belong to no level of ours
        assert found == theirs


def _ends(labels: np.ndarray) -> list[int]:
    return [*(np.flatnonzero(np.diff(labels)) + 1).tolist(), len(labels)]


def test_a_difference_below_half_a_step_is_no_change() -> None:
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.normal(m, 0.004, 60) for m in (2.00, 2.03, 2.10)])[:, None]
    found = levels(values, np.array([0.004]), np.array([0.1]))
    assert _ends(found) == [120, 180]


def test_a_drop_out_does_not_end_a_level_and_belongs_to_none() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(450, 1, (60, 1))
    values[[20, 21, 40]] = 0.0
    found = levels(values, np.array([1.0]), np.array([5.0]))
    assert np.flatnonzero(found == OUTSIDE).tolist() == [20, 21, 40]
    assert set(found.tolist()) == {OUTSIDE, 0}


# -- a day of a minute log -----------------------------------------------------------------------

PLANTED = [
    (2.0, 2.5, 1.5, 450.0, 38.0, 40), (2.3, 2.5, 1.5, 450.0, 38.0, 35),
    (2.3, 2.5, 1.5, 460.0, 38.0, 45), (2.0, 2.5, 1.5, 450.0, 38.0, 38),
    (2.0, 3.0, 1.5, 450.0, 38.0, 42), (2.1, 3.0, 1.5, 450.0, 41.0, 40),
    (3.0, 3.0, 1.5, 440.0, 41.0, 44), (3.0, 3.0, 1.8, 440.0, 41.0, 40),
]  # fmt: skip
"""Settings of eight stretches, and minutes of each: 324 in all."""


def minute_log(seed: int, results: bool = True) -> dict[str, list]:
    """A day's log: feed rate to 1 %, speed to 1 rpm, the rest as typed."""
    rng = np.random.default_rng(seed)
    minutes = [n for *_, n in PLANTED]
    table: dict[str, list] = {"line": ["deck-1"] * sum(minutes)}
    for k, name in enumerate(NAMES):
        table[name] = np.repeat([row[k] for row in PLANTED], minutes)
    n = sum(minutes)
    table["feed_rate"] = np.round(table["feed_rate"] * (1 + rng.normal(0, 0.01, n)), 3)
    table["eccentric_speed"] = np.round(table["eccentric_speed"] + rng.uniform(-1, 1, n), 1)
    table["started_at"] = [DAY + datetime.timedelta(minutes=k) for k in range(n)]
    if results:
        table["grade"] = 0.97 + rng.normal(0, 0.003, n)
        table["recovery"] = 0.93 + rng.normal(0, 0.005, n)
    return {name: list(column) for name, column in table.items()}


def load(history: History, **tables: dict[str, list]) -> dict:
    each = {name: pa.table(table) for name, table in tables.items()}
    return load_tables(each, history, options=LoadOptions(samples=True)).as_dict()


@pytest.mark.parametrize("seed", range(6))
def test_a_minute_log_gives_the_planted_stretches(history: History, seed: int) -> None:
    report = load(history, log=minute_log(seed))
    assert (report["read"], report["added"], report["readings"]) == (324, 8, 324)
    runs = history.at().runs().sort_by("started_at").to_pylist()
    assert [tuple(run[name] for name in NAMES) for run in runs] == [row[:5] for row in PLANTED]
    assert _lengths(history) == pytest.approx([n for *_, n in PLANTED], abs=1)


def _lengths(history: History) -> list[int]:
    readings = SampleStore(history.samples_folder).read()
    assert readings is not None
    ids = readings.sort_by("started_at")["run_id"].to_pylist()
    return [ids.count(run_id) for run_id in dict.fromkeys(ids)]


@pytest.mark.parametrize("seed", range(3))
def test_drop_outs_and_a_gap_change_nothing(history: History, seed: int) -> None:
    log = minute_log(seed)
    rng = np.random.default_rng(100 + seed)
    for row in rng.choice(np.arange(10, 314), 8, replace=False):
        log["eccentric_speed"][row] = 301.0  # the sensor lost its signal
    kept = [k for k in range(324) if not 125 <= k < 143]  # 18 minutes without a reading
    report = load(history, log={name: [column[k] for k in kept] for name, column in log.items()})
    assert report["added"] == 8
    runs = history.at().runs().sort_by("started_at").to_pylist()
    assert [tuple(run[name] for name in NAMES) for run in runs] == [row[:5] for row in PLANTED]


def test_readings_on_the_way_are_kept_and_not_averaged(history: History) -> None:
    log = minute_log(1)
    log["eccentric_speed"][75:77] = [453.4, 456.9]  # from 450 to 460 rpm
    load(history, log=log)
    readings = SampleStore(history.samples_folder).read()
    assert readings is not None
    rows = readings.sort_by("started_at").to_pylist()
    assert len(rows) == 324
    assert [row["averaged"] for row in rows[75:77]] == [False, False]
    assert rows[75]["run_id"] == rows[80]["run_id"]


def test_a_setting_off_its_steps_keeps_what_the_sensor_says(history: History) -> None:
    log = minute_log(2)
    log["eccentric_speed"] = [speed + 2.0 for speed in log["eccentric_speed"]]
    load(history, log=log)
    speeds = history.at().runs().sort_by("started_at")["eccentric_speed"].to_pylist()
    assert speeds == pytest.approx([row[3] + 2.0 for row in PLANTED], abs=0.4)


def test_a_sensor_may_read_a_little_outside_the_range(history: History) -> None:
    log = minute_log(3)
    log["feed_rate"] = [value + 1.0 for value in log["feed_rate"]]  # to 4.0 t/h, the highest
    report = load(history, log=log)
    assert (report["rejected"], report["added"]) == (0, 8)
    assert max(history.at().runs()["feed_rate"].to_pylist()) == 4.0


# -- results of a laboratory ---------------------------------------------------------------------


def laboratory(minutes: list[int], **columns: list) -> dict[str, list]:
    n = len(minutes)
    return {
        "line": ["deck-1"] * n,
        "started_at": [DAY + datetime.timedelta(minutes=m) for m in minutes],
        "grade": [0.97 + 0.001 * k for k in range(n)],
        "recovery": [0.93] * n,
        **columns,
    }


def test_results_join_the_stretch_in_which_their_sample_was_taken(history: History) -> None:
    minutes = [20, 32, 60, 100, 140, 180, 220, 260, 310]
    report = load(history, settings=minute_log(1, False), results=laboratory(minutes))
    assert (report["added"], report["readings"], report["rejected"]) == (8, 333, 0)
    runs = history.at().runs().sort_by("started_at").to_pylist()
    assert [run["grade"] for run in runs] == pytest.approx(
        [0.9705, *(0.97 + 0.001 * k for k in range(2, 9))]
    )
    assert [run["feed_rate"] for run in runs] == [row[0] for row in PLANTED]
    assert runs[0]["grade_se"] == pytest.approx(0.0005)  # of two results .001 apart


def test_a_stretch_without_a_result_makes_no_run_and_its_rows_are_kept(history: History) -> None:
    report = load(history, settings=minute_log(1, False), results=laboratory([20, 60]))
    assert report["added"] == 2
    assert report["readings"] + report["rejected"] == report["read"] == 326
    assert report["rejects"][0]["reason"].startswith("no grade and no recovery were measured")
    by_file = {entry["file"]: entry for entry in report["files"]}
    assert by_file["results"]["rejected"] == 0
    assert by_file["settings"]["added"] == 2


def test_a_result_without_settings_is_rejected(history: History) -> None:
    report = load(history, settings=minute_log(1, False), results=laboratory([20, 400]))
    (reject,) = (each for each in report["rejects"] if each["file"] == "results")
    assert reject["row"] == 2
    assert reject["reason"].startswith("no settings are known within 10 minutes")


def test_results_may_stand_in_some_rows_of_the_log_itself(history: History) -> None:
    log = minute_log(1, False)
    log["grade"] = [0.97 if k % 20 == 15 else None for k in range(324)]
    log["recovery"] = [0.93 if k % 20 == 15 else None for k in range(324)]
    report = load(history, log=log)
    assert (report["added"], report["rejected"]) == (8, 0)


def test_half_a_result_is_still_a_fault(history: History) -> None:
    results = laboratory([20, 60])
    results["recovery"][1] = None
    report = load(history, settings=minute_log(1, False), results=results)
    (reject,) = (each for each in report["rejects"] if each["file"] == "results")
    assert (reject["field"], reject["row"]) == ("recovery", 2)


def test_two_files_join_in_any_order_and_are_known_again(history: History, tmp_path: Path) -> None:
    files = {"a.csv": laboratory([20, 60, 100]), "b.csv": minute_log(1, False)}
    for name, table in files.items():
        pa_csv.write_csv(pa.table(table), tmp_path / name)
    paths = [tmp_path / name for name in files]
    first = load_logs(paths, history, samples=True).as_dict()
    again = load_logs(paths[::-1], history, samples=True).as_dict()
    assert (first["added"], again["added"]) == (3, 0)
    assert again["already_known"] == first["readings"]


def test_readings_go_with_the_runs_that_are_new(history: History) -> None:
    log = minute_log(1)
    first = {name: column[75:120] for name, column in log.items()}  # the third stretch alone
    load(history, log=first)
    report = load(history, log=log)
    assert (report["added"], report["readings"], report["already_known"]) == (7, 279, 45)
    readings = SampleStore(history.samples_folder).read()
    assert readings is not None
    speed = {run["run_id"]: run["eccentric_speed"] for run in history.at().runs().to_pylist()}
    for reading in readings.to_pylist():
        assert abs(reading["eccentric_speed"] - speed[reading["run_id"]]) <= 1.05


def test_a_log_of_runs_still_needs_both(history: History) -> None:
    table = pa.table(minute_log(1, False))
    report = load_tables({"log": table}, history).as_dict()
    assert "no column for grade, recovery" in report["files"][0]["error"]


# -- the page of what was made ---------------------------------------------------------------------


def test_the_page_tells_of_each_stretch(history: History) -> None:
    log = minute_log(1, False)
    log["eccentric_speed"][50] = 301.0
    tables = {
        "settings": pa.table(log),
        "results": pa.table(laboratory([20, 60, 100, 140, 180, 220, 260])),
    }
    options = LoadOptions(samples=True, pictured=True, dry_run=True)
    (day,) = load_tables(tables, history, options=options).days
    assert (day["line"], day["date"], len(day["hours"])) == ("deck-1", "2025-03-03", 331)
    assert [s["readings"] for s in day["stretches"]] == [41, 36, 46, 39, 43, 41, 45, 40]
    assert [s["averaged"] for s in day["stretches"]] == [41, 35, 46, 39, 43, 41, 45, 0]
    assert [s["run"] for s in day["stretches"]] == [True] * 7 + [False]
    page = stretches_html([day])
    assert page.count("<svg") == 1
    cells = re.findall(r"<tr><th scope=\"row\">(.*?)</tr>", page)
    assert [cell[:5] for cell in cells] == [
        "06:00", "06:40", "07:15", "08:00", "08:38", "09:20", "10:00", "10:44"
    ]  # fmt: skip
    assert "<td>450</td>" in cells[0]
    assert "no run: no result" in cells[-1]


def test_days_are_those_of_the_plant(history: History) -> None:
    site = Site.from_dict({"site": {"time_zone": "America/Bogota"}})  # 6:00 UTC is 1:00 there
    options = LoadOptions(samples=True, pictured=True, dry_run=True)
    (day,) = load_tables({"log": pa.table(minute_log(1))}, history, site, options=options).days
    assert (day["date"], day["stretches"][0]["first"]) == ("2025-03-03", 1.0)
