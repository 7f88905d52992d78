"""The demo season equals the output of its script and agrees with README and expected.json."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import re
import sys
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from optimizer.plant.region import Region
from optimizer.plant.run_columns import DECK_STATES
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import attainable, coffee, demo_deck, demo_material

DATASETS = Path(__file__).resolve().parents[1] / "datasets"
SEASON = DATASETS / "season"
LOGS = ("deck-1.csv", "deck-2.csv", "deck-3.parquet")
EXPECTED = json.loads((SEASON / "expected.json").read_text(encoding="utf-8"))
SITE = tomllib.loads((SEASON / "site.toml").read_text(encoding="utf-8"))
BRIEF = tomllib.loads((SEASON / "brief.toml").read_text(encoding="utf-8"))


def load_script():
    spec = importlib.util.spec_from_file_location("make_season", DATASETS / "make_season.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_season"] = module  # dataclasses look their own module up there
    spec.loader.exec_module(module)
    return module


SCRIPT = load_script()


@pytest.fixture(scope="module")
def again(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    SCRIPT.write_season(folder)
    return folder


def number(text, comma):
    return float(text.replace(",", ".") if comma else text)


def csv_rows(name):
    """Header and rows of a log by a separate simple reader; rows[k] is line k + 2 of the file."""
    delimiter = {"deck-1.csv": ",", "deck-2.csv": ";"}[name]
    with (SEASON / name).open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file, delimiter=delimiter)
    return header, rows


def clean_runs(name):
    """Rows without planted faults as canonical dictionaries of numbers; None for empty cells."""
    if name.endswith(".parquet"):
        return pq.read_table(SEASON / name).to_pylist()
    header, rows = csv_rows(name)
    faults = {r["row"] for r in EXPECTED[name]["rejects"]} | {EXPECTED[name]["copied_row"]}
    comma = name == "deck-2.csv"
    words = {"run_id", "line", "started_at", "material", "deck_state", "note"}
    runs = []
    for k, row in enumerate(rows):
        if k + 2 in faults:
            continue
        run = {}
        for title, cell in zip(header, row, strict=True):
            field, _, unit = title.partition(" [")
            if cell == "" or field in words:
                run[field] = cell or None
                continue
            percent = unit == "%]" and field in ("grade", "recovery")
            scale = {"kg/h]": 1e-3}.get(unit, 1e-2 if percent else 1.0)
            run[field] = number(cell, comma) * scale
        run["started_at"] = datetime.fromisoformat(run["started_at"])
        runs.append(run)
    return runs


RUNS = {name: clean_runs(name) for name in LOGS}


@pytest.mark.parametrize("name", ["deck-1.csv", "deck-2.csv", "expected.json"])
def test_the_script_writes_the_same_bytes(again, name):
    assert (again / name).read_bytes() == (SEASON / name).read_bytes()


def test_the_script_writes_the_same_table(again):
    """The bytes of a Parquet file depend on the version of the library, its contents must not."""
    tables = [pq.read_table(folder / "deck-3.parquet") for folder in (again, SEASON)]
    assert tables[0].equals(tables[1])


def test_readme_lists_the_checksum_of_every_file():
    listed = re.findall(r"`season/(\S+)` \| `([0-9a-f]{64})`", (DATASETS / "README.md").read_text())
    files = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in SEASON.iterdir()}
    assert dict(listed) == files
    assert sum(p.stat().st_size for p in DATASETS.rglob("*") if p.is_file()) < 400_000


def test_a_season_of_about_1500_runs_over_150_days():
    assert 1400 <= sum(EXPECTED[name]["read"] for name in LOGS) <= 1600
    for name in LOGS:
        counts = EXPECTED[name]
        assert counts["read"] == counts["added"] + counts["already_known"] + counts["rejected"]
        assert counts["rejected"] == len(counts["rejects"])
        assert counts["added"] == len(RUNS[name])
        times = [run["started_at"] for run in RUNS[name]]
        assert times == sorted(set(times))
        assert 140 <= (times[-1] - times[0]).days <= 150
        assert {run["line"] for run in RUNS[name]} == {name.split(".")[0]}


@pytest.mark.parametrize("name", LOGS)
def test_settings_lie_on_the_steps_and_in_the_range_of_the_site(name):
    line = name.split(".")[0]
    own = SITE.get("lines", {}).get(line, {}).get("settings", {})
    for field, declared in SITE["settings"].items():
        declared = {**declared, **own.get(field, {})}
        gates = [f"{field}_{k + 1}" for k in range(declared.get("gates", 0))]
        values = np.array([[run[each] for each in gates or [field]] for run in RUNS[name]])
        steps = (values - declared["low"]) / declared["step"]
        assert np.allclose(steps, np.rint(steps), atol=1e-6)
        assert values.min() >= declared["low"] - 1e-9
        assert values.max() <= declared["high"] + 1e-9
        if gates:
            assert np.abs(np.diff(values, axis=1)).max() <= declared["max_taper"]
            assert {name for name in RUNS[name][0] if name.startswith(field)} == set(gates)


@pytest.mark.parametrize("name", LOGS)
def test_failed_trials_are_few_and_have_no_readings(name):
    failed = [run for run in RUNS[name] if run["deck_state"] != "even"]
    assert {run["deck_state"] for run in RUNS[name]} <= set(DECK_STATES)
    assert 0.002 <= len(failed) / len(RUNS[name]) <= 0.04
    for run in RUNS[name]:
        measured = [run["grade"], run["recovery"], run["grade_count"]]
        if run["deck_state"] == "even":
            assert all(x > 0.0 for x in measured)
            assert max(measured[:2]) <= 1.0
            hits = run["grade"] * run["grade_count"]
            assert hits == pytest.approx(round(hits), abs=1e-3)
        else:
            assert measured == [None, None, None]


def test_about_two_percent_of_all_trials_failed():
    states = [run["deck_state"] for name in LOGS for run in RUNS[name]]
    assert 0.01 <= 1.0 - states.count("even") / len(states) <= 0.03


@pytest.mark.parametrize("name", LOGS)
def test_set_points_are_read_several_times_and_material_cells_are_sometimes_empty(name):
    names = SCRIPT.space_of(name.split(".")[0]).names
    points = {tuple(run[s] for s in names) for run in RUNS[name]}
    assert len(RUNS[name]) / len(points) > 2.0
    for field in SITE["material"]:
        values = [run[field] for run in RUNS[name]]
        assert 0.0 < values.count(None) / len(values) < 0.12
        present = np.array([v for v in values if v is not None])
        assert present.min() >= SITE["material"][field]["low"]
        assert present.max() <= SITE["material"][field]["high"]
        assert present.std() > 0.0
    labels = {run["material"] for run in RUNS[name]}
    assert labels == {"washed", "pulped-natural", "natural"}


def test_operators_move_speed_and_tilt_together_on_two_decks_only():
    def correlation(name):
        pairs = [(run["side_tilt"], run["eccentric_speed"]) for run in RUNS[name]]
        return np.corrcoef(np.array(pairs).T)[0, 1]

    assert correlation("deck-1.csv") > 0.5
    assert correlation("deck-2.csv") > 0.5
    assert abs(correlation("deck-3.parquet")) < 0.3


def test_the_feed_end_of_the_deck_with_gates_gets_more_air_by_habit_but_too_little_more():
    """Uses the true values of the simulation: more taper than by habit recovers more."""
    names = SCRIPT.space_of("deck-3").names
    habit = np.array([[run[s] for s in names] for run in RUNS["deck-3.parquet"]]).mean(axis=0)
    air = habit[4:]
    assert (np.diff(air) < 0.0).all()
    deck, material = demo_deck("deck-3"), demo_material()
    tapered, alike = habit.copy(), habit.copy()
    tapered[4:], alike[4:] = 2.0 * air - air.mean(), air.mean()
    points = np.array([alike, habit, tapered])
    assert (np.diff(deck.run(points, material).recovery) > 0.001).all()


def test_about_a_dozen_rows_are_spoiled_at_the_places_in_expected_json():
    planted = sum(EXPECTED[n]["rejected"] + EXPECTED[n]["already_known"] for n in LOGS)
    assert 11 <= planted <= 14
    for name in ("deck-1.csv", "deck-2.csv"):
        header, rows = csv_rows(name)
        fields = [title.partition(" [")[0] for title in header]
        for fault in EXPECTED[name]["rejects"]:
            assert rows[fault["row"] - 2][fields.index(fault["field"])] == fault["value"]
            assert rows[fault["row"] - 2][fields.index("deck_state")] == "even"
        copied = EXPECTED[name]["copied_row"] - 2
        assert rows[copied] == rows[copied - 1]
        twins = len(rows) - len({tuple(row) for row in rows})
        assert twins == EXPECTED[name]["already_known"] == 1


def test_site_and_brief_name_the_decks_of_the_simulation():
    for setting in GRAVITY_TABLE.settings:
        declared = SITE["settings"][setting.name]
        assert (declared["unit"], declared["low"], declared["high"], declared["step"]) == (
            setting.unit,
            setting.low,
            setting.high,
            setting.step,
        )
        steps = (BRIEF["current"][setting.name] - setting.low) / setting.step
        assert steps == pytest.approx(round(steps), abs=1e-6)
    assert tuple(BRIEF["current"].values()) == SCRIPT.HABITS[BRIEF["line"]].usual
    assert coffee(**BRIEF["material"]) == demo_material()
    trials = BRIEF["trials"]
    minutes = trials["settle_minutes"] + trials["sample_minutes"]
    assert trials["count"] * minutes <= trials["minutes_available"]
    assert (
        trials["count"] * BRIEF["current"]["feed_rate"] * minutes / 60.0
        <= (trials["material_available"])
    )


@pytest.mark.parametrize("name", LOGS)
def test_habit_loses_recovery(name):
    """Uses the true values of the simulation, today's material and the grade of the brief."""
    line, goal = name.split(".")[0], BRIEF["goal"]["min_grade"]
    deck, material = demo_deck(line), demo_material()
    space = SCRIPT.space_of(line)
    points = np.unique([[run[s] for s in space.names] for run in RUNS[name]], axis=0)
    response = deck.run(points, material)
    good = (response.grade >= goal) & (response.failure <= 0.05)
    region = Region.whole(space).narrow(
        "feed_rate",
        BRIEF["capacity"]["min_feed_rate"],
        SCRIPT.HABITS[line].highest_feed,
        "capacity",
    )
    best = attainable(deck, material, goal, region)
    assert 0.90 <= best.recovery <= 0.97
    assert 0.80 <= np.median(response.recovery[good]) <= 0.89
    assert best.recovery - response.recovery[good].max() >= 0.02
