"""The command line: text, JSON, exit codes, and no traceback."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from cli import main as cli
from optimizer.operations.demo import season_folder

SEASON = season_folder()


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """A folder with the season loaded once; each test works on a copy."""
    from optimizer import History, Site, load_logs

    folder = tmp_path_factory.mktemp("season")
    for name in ("site.toml", "brief.toml"):
        shutil.copy(SEASON / name, folder)
    site = Site.read(folder / "site.toml")
    load_logs([SEASON / "deck-1.csv"], History(folder / "history"), site)
    return folder


@pytest.fixture
def season(loaded, tmp_path):
    shutil.copytree(loaded, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_every_command_has_help_with_an_example(run):
    code, out, _ = run("--help")
    assert code == 0
    commands = {c.name or c.callback.__name__ for c in cli.app.registered_commands}
    assert {"demo", "init", "load", "history", "suggest", "record"} <= commands
    for command in commands:
        assert command in out
        code, text, _ = run(command, "--help")
        assert code == 0
        assert f"Example: highside {command}" in text


def test_demo_runs_completely_and_can_be_repeated(run, tmp_path, request):
    code, out, _ = run("demo", "--out", "first")
    assert code == 0
    assert "Run now" in out
    assert max(len(x) for x in out.splitlines()) <= 80
    plan = json.loads((tmp_path / "first" / "plan.json").read_text())
    assert len(plan["recommendations"]) == 4
    request.getfixturevalue("without_plots")
    code, out, _ = run("demo", "--out", "first", "--json")
    again = json.loads(out)
    assert again["load"]["added"] == 0
    assert again["load"]["already_known"] > 1400
    assert again["plan"]["recommendations"] == plan["recommendations"]


def test_a_recorded_trial_leads_to_the_next_plan(run, season, small_plans):
    code, out, _ = run("suggest", "--brief", "brief.toml", "--json")
    assert code == 0
    plan = json.loads(out)
    (season / "plan.json").write_text(out)
    before = plan["runs_used"]
    code, out, _ = run(
        "record", "--plan", "plan.json", "--rank", 2, "--grade", "98.9%", "--recovery", "0.94",
        "--grade-count", 400, "--brief", "brief.toml", "--json",
    )  # fmt: skip
    assert code == 0, out
    answer = json.loads(out)
    assert answer["load"]["added"] == 1
    assert answer["after"]["runs_used"] == before + 1
    assert answer["after"]["history_version"] > answer["before"]["history_version"]
    code, out, _ = run("suggest", "--brief", "brief.toml", "--json")
    after = json.loads(out)
    tried = plan["recommendations"][1]["settings"]
    assert after["runs_used"] == before + 1
    assert tried not in [r["settings"] for r in after["recommendations"]]
    # The run is stored with the plan's settings and without material, which nobody measured.
    (new,) = exported(run, season, tried)
    assert new["grade"] == pytest.approx(0.989)
    assert plan["material"]["moisture"] is not None
    assert {name: new[name] for name in plan["material"]} == dict.fromkeys(
        plan["material"], None
    ) | {"material": ""}
    # Measured material is given as options.
    run(
        "record", "--plan", "plan.json", "--rank", 3, "--grade", "98.9%", "--recovery", "0.94",
        "--brief", "brief.toml", "--material", "moisture=11.7", "--material", "material=dry",
    )  # fmt: skip
    (new,) = exported(run, season, plan["recommendations"][2]["settings"])
    assert (new["moisture"], new["material"], new["bulk_density"]) == (11.7, "dry", None)


def exported(run, season, settings) -> list[dict]:
    run("history", "--export", "all.csv")
    rows = pa_csv.read_csv(season / "all.csv").to_pylist()
    return [r for r in rows if all(abs(r[k] - v) < 1e-9 for k, v in settings.items())]


def test_record_from_a_file_and_a_failed_trial(run, season, small_plans):
    (season / "more.csv").write_text(
        "line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery,"
        "deck_state\n"
        "deck-1,2026-02-01 08:00,2.0,2.5,2.0,450,48,0.988,0.92,\n"
        "deck-1,2026-02-01 09:00,2.0,2.5,2.0,450,88,,,boiling\n"
    )
    code, out, _ = run("record", "--from", "more.csv", "--min-grade", 0.985)
    assert code == 0
    assert "2 added" in out
    assert "Run now" in out
    code, out, _ = run("record", "--from", "more.csv", "--min-grade", 0.985)
    assert "2 already known" in out


@pytest.fixture(scope="module")
def two_trials(loaded):
    """The plan of the season with two trials, by the library."""
    from optimizer import Brief, History, Site, suggest

    brief = Brief.read(loaded / "brief.toml", trials__count=2)
    site = Site.read(loaded / "site.toml")
    return json.loads(json.dumps(suggest(History(loaded / "history"), site, brief).as_dict()))


@pytest.mark.parametrize("form", ["csv", "parquet", "json", "table"])
def test_plans_in_every_form_hold_the_same_settings(run, season, two_trials, form):
    plan, asked = two_trials, ("suggest", "--brief", "brief.toml", "--trials", 2)
    code, out, _ = run(*asked, "--format", form, "--out", f"p.{form}")
    assert (code, out) == (0, "")
    file = season / f"p.{form}"
    if form == "json":
        assert json.loads(file.read_text()) == plan
        return
    if form == "table":
        assert "Run now" in file.read_text()
        return
    rows = (pa_csv.read_csv(file) if form == "csv" else pq.read_table(file)).to_pylist()
    for row, trial in zip(rows, plan["recommendations"], strict=True):
        assert {k: row[k] for k in trial["settings"]} == trial["settings"]
        assert row["grade_mean"] == trial["grade"]["mean"]
        assert row["why"] == trial["why"]


def test_stdout_holds_only_json_with_the_promised_keys(run, season):
    _, out, _ = run("suggest", "--brief", "brief.toml", "--trials", 1, "--json")
    plan = json.loads(out)
    assert plan["schema"] == "highside.plan/1"
    assert {
        "line", "material", "seed", "history_version", "runs_used", "set_points", "goal",
        "run_now", "recommendations", "stopping", "warnings",
    } <= set(plan)  # fmt: skip
    assert {"maximise", "min_grade", "confidence"} <= set(plan["goal"])
    assert {
        "rank", "settings", "grade", "recovery", "chance_of_grade", "expected_gain",
        "material_t", "minutes", "changes", "why", "watch",
    } <= set(plan["recommendations"][0])  # fmt: skip
    assert {"settings", "grade", "recovery", "chance_of_grade", "product_t_per_h", "tried"} <= set(
        plan["run_now"]
    )
    _, out, _ = run("history", "--json")
    history = json.loads(out)
    assert history["schema"] == "highside.history/1"
    assert {"line", "runs", "set_points", "first", "last"} <= set(history["lines"][0])
    _, out, _ = run("load", SEASON / "deck-1.csv", "--json")
    report = json.loads(out)
    assert report["schema"] == "highside.load/1"
    assert report["read"] == report["added"] + report["already_known"] + report["rejected"]
    assert {"file", "row", "field", "value", "reason"} == set(report["rejects"][0])


def test_the_table_fits_80_columns_and_has_units(run, season):
    _, out, _ = run("suggest", "--brief", "brief.toml")
    assert max(len(x) for x in out.splitlines()) <= 80
    assert "\x1b" not in out
    for unit in ("t/h", "deg", "rpm", "turn", "pts", "min"):
        assert unit in out


def load_one(run, season):
    """A new version of the history, without the two plans of a recorded result."""
    (season / "one.csv").write_text(
        "line,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
        "deck-1,2,2,2,450,40,0.98,0.9\n"
    )
    assert run("load", "one.csv")[0] == 0


def test_as_of_gives_the_plan_of_an_earlier_version(run, season):
    asked = ("suggest", "--brief", "brief.toml", "--trials", 1, "--json")
    _, first, _ = run(*asked)
    version = json.loads(first)["history_version"]
    load_one(run, season)
    _, now, _ = run(*asked)
    _, then, _ = run(*asked, "--as-of", version)
    assert then == first
    assert now != first


def test_every_line_is_planned_as_by_itself(run, season):
    _, out, _ = run("suggest", "--line", "deck-1", "--trials", 1, "--json")
    alone = json.loads(out)
    code, out, _ = run("suggest", "--every-line", "--trials", 1, "--json")
    made = json.loads(out)
    assert (code, made["schema"], made["refused"]) == (0, "highside.plans/1", [])
    assert made["plans"] == [alone]
    (season / "brief.toml").write_text("[capacity]\nmax_product_rate = 0.001\n")
    code, out, _ = run("suggest", "--every-line", "--brief", "brief.toml")
    assert (code, "No plan for deck-1" in out) == (1, True)
    code, _, err = run("suggest", "--workers", 2)
    assert (code, "need --every-line" in err) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["load", "none.csv"], 2, "none.csv"),
        (["load"], 2, "LOG"),
        (["frobnicate"], 2, "frobnicate"),
        (["suggest", "--site", "none.toml"], 2, "'none.toml' does not exist"),
        (["suggest", "--brief", "none.toml"], 2, "'none.toml' does not exist"),
        (["suggest", "--min-grade", "98.5"], 2, "98.5 % is 0.985"),
        (["suggest", "--min-grade", "high"], 2, "high"),
        (["suggest", "--material", "moisture"], 2, "expected KEY=VALUE"),
        (["suggest", "--material", "moisture=wet"], 2, r"moisture: expected a number .*'wet'"),
        (["suggest", "--trials", "0"], 2, "greater than or equal to 1"),
        (["suggest", "--format", "parquet"], 2, "needs --out"),
        (["suggest", "--seed", "99999999999"], 2, "below 2"),
        (["record"], 2, "no result was given"),
        (["record", "--plan", "brief.toml", "--grade", "1"], 2, "is not a plan"),
        (["record", "--from", "x.csv", "--grade", "1"], 2, "not both"),
        (["record", "--line", "deck-1", "--grade", "97"], 2, "feed_rate is missing"),
        (["history", "--since", "last week"], 2, "last week"),
        (["init", "site.toml"], 2, "exists and was left alone"),
    ],
)
def test_wrong_use_gives_its_exit_code_and_says_what_to_do(run, season, arguments, code, message):
    found, out, err = run(*arguments)
    assert found == code, out + err
    import re

    assert re.search(message, " ".join((out + err).split()))


def test_limits_that_cannot_be_met_exit_1(run, season):
    (season / "brief.toml").write_text("[trials]\nminutes_available = 5\n")
    code, out, err = run("suggest", "--brief", "brief.toml", "--json")
    assert code == 1
    assert json.loads(out)["code"] == "no-trial-fits"
    assert "not one trial fits" in err


def test_a_damaged_history_exits_3(run, season):
    for commit in (season / "history" / "_delta_log").glob("*.json"):
        commit.write_text("{not json")
    code, _, err = run("suggest", "--brief", "brief.toml")
    assert code == 3
    assert "history" in err


def test_a_damaged_file_is_found_and_an_earlier_version_restored(run, season):
    code, out, _ = run("history", "--verify")
    assert (code, out.split(":")[0]) == (0, "Sound")
    _, before, _ = run("suggest", "--brief", "brief.toml", "--trials", 1, "--json")
    old = set((season / "history").glob("line=*/*.parquet"))
    load_one(run, season)
    (new,) = set((season / "history").glob("line=*/*.parquet")) - old
    new.write_bytes(b"")
    code, _, err = run("suggest", "--brief", "brief.toml")
    assert code == 3
    assert "highside history --verify" in " ".join(err.split())
    code, out, _ = run("history", "--verify", "--json")
    found = json.loads(out)
    assert (code, found["sound"], found["restorable"]) == (3, False, 0)
    code, out, _ = run("history", "--restore", found["restorable"])
    assert (code, "those of version 0 again, now as version 2" in " ".join(out.split())) == (
        0,
        True,
    )
    code, out, _ = run("history", "--verify")
    assert code == 0
    _, after, _ = run("suggest", "--brief", "brief.toml", "--trials", 1, "--json")
    assert json.loads(after) == {**json.loads(before), "history_version": 2}


def test_an_empty_history_still_plans(run):
    code, out, _ = run("suggest", "--min-grade", 0.985)
    assert code == 0
    assert "cannot be known" in " ".join(out.split())
    code, out, _ = run("history")
    assert (code, "empty" in out) == (0, True)


def test_a_log_of_rejects_only_exits_2_and_keeps_them(run, tmp_path):
    (tmp_path / "bad.csv").write_text(
        "line,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
        "a,2,2,2,450,40,0.98,97.2\n"
    )
    code, out, _ = run("load", "bad.csv", "--json")
    report = json.loads(out)
    assert code == 2
    assert report["rejected"] == 1
    with Path(report["rejects_file"]).open(encoding="utf-8-sig", newline="") as file:
        (kept,) = csv.DictReader(file)
    assert (kept["file"], kept["row"], kept["field"]) == ("bad.csv", "2", "recovery")
    assert kept["recovery"] == "97.2"


def test_readings_over_time_become_runs_and_can_be_exported(run, tmp_path):
    head = "line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery"
    levels = [0.90, 0.94, 0.96, 0.971, 0.970, 0.972, 0.969, 0.971, 0.970, 0.972]
    rows = [
        f"deck-1,2026-03-01 08:{2 * k:02d},2,2.5,2.2,450,{air},{grade},{grade - 0.05:.3f}"
        for air, start in ((40, 0), (44, 10))
        for k, grade in enumerate(levels, start)
    ]
    (tmp_path / "log.csv").write_text("\n".join([head, *rows]) + "\n")
    code, out, err = run("load", "log.csv", "--dry-run")
    assert (code, err) == (0, "")
    assert "load it with --samples" in " ".join(out.split())
    code, out, err = run("load", "log.csv", "--samples")
    assert (code, err) == (0, "")
    assert "Read 20 rows: 20 are readings of 2 added runs" in out
    code, out, err = run("history", "--export", "runs.csv", "--readings", "readings.csv")
    assert (code, err) == (0, "")
    runs, readings = (pa_csv.read_csv(f).to_pylist() for f in ("runs.csv", "readings.csv"))
    assert len(runs) == 2
    assert all(0.968 < r["grade"] < 0.973 and r["grade_se"] > 0 for r in runs)
    assert [r["grade"] for r in readings] == levels * 2
    assert {r["run_id"] for r in readings} == {r["run_id"] for r in runs}
    averaged = [r["grade"] for r in readings if r["averaged"]]
    assert 6 <= len(averaged) < 20
    assert min(averaged) > 0.955


def test_an_export_without_readings_is_reported(run, season):
    code, out, err = run("history", "--readings", "readings.csv")
    assert (code, out) == (2, "")
    assert "Load them with load --samples" in err


def test_the_installed_command_and_the_module_agree():
    script = Path(sys.executable).with_name("highside")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("highside ")


def test_diagnose_fits_80_columns(run, season):
    code, out, _ = run("diagnose", "--line", "deck-1", "--min-grade", "0.985")
    assert code == 0
    assert max(len(x) for x in out.splitlines()) <= 80
    for part in ("What matters", "Noise of one reading", "Drift", "Doubtful runs", "Most help"):
        assert part in out
    code, out, _ = run("diagnose", "--json")
    found = json.loads(out)
    assert found["schema"] == "highside.diagnosis/1"
    assert {d["quantity"] for d in found["drift"]} == {"grade", "recovery"}
    code, _, err = run("diagnose", "--line", "deck-7")
    assert code == 2
    assert "deck-7" in err


def test_compare_fits_80_columns(run, season, small_plans):
    assert run("load", SEASON / "deck-3.parquet")[0] == 0
    asked = ("--min-grade", "0.985", "--feed-rate", "2.4")
    code, out, _ = run("compare", *asked, "--price", "4000", "--hours", "1200", "--anonymous")
    assert code == 0
    assert max(len(x) for x in out.splitlines()) <= 80
    for part in ("attainable %", "points to win", "Worth", "line A", "line B", "sure"):
        assert part in out
    assert "deck-" not in out
    code, out, _ = run(
        "compare", *asked, "--lines", "deck-1,deck-3", "--confidence", "0.95", "--json"
    )
    found = json.loads(out)
    assert found["schema"] == "highside.comparison/1"
    assert {line["line"] for line in found["lines"]} == {"deck-1", "deck-3"}
    assert found["basis"]["confidence"] == 0.95
    for line in found["lines"]:
        assert line["attainable"]["sure"] == (line["attainable"]["chance_of_grade"] >= 0.95)
    code, _, err = run("compare", "--price", "4000")
    assert code == 2
    assert "--hours" in err


def test_compare_without_two_comparable_lines_exits_1(run, season, tmp_path):
    rows = [
        f"{line},{a / 10},{a / 10 + 0.1},{high},{100 - high}"
        for line in ("deck-1", "a deck of a long name")
        for a, high in zip(range(10, 16), (2, 11, 35, 68, 90, 97), strict=True)
    ]
    path = tmp_path / "fractions.csv"
    head = "line,density_low [g/cm3],density_high [g/cm3],mass_product,mass_reject"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    code, out, _ = run("compare", "--fractions", path)
    assert code == 1
    assert "Fewer than two lines" in out
    assert "Split by density, g/cm3" in out
    assert max(len(x) for x in out.splitlines()) <= 80


def test_diagnose_of_an_empty_history_says_so(run):
    code, out, _ = run("diagnose")
    assert code == 1
    assert "Nothing can be diagnosed yet" in out


def test_no_command_loads_pandas_or_a_query_engine(tmp_path):
    # pyarrow would import pandas at its first array, and a query engine to filter or sort a table;
    # scipy would import parts that no command uses. A separate process shows whether they did. Few
    # runs are enough. What is loaded late works when it is used after all.
    shutil.copy(SEASON / "site.toml", tmp_path)
    for name in ("deck-1.csv", "deck-2.csv"):
        rows = (SEASON / name).read_text(encoding="utf-8").splitlines(keepends=True)
        (tmp_path / name).write_text("".join(rows[:41]), encoding="utf-8")
    code = """
import os, sys
from cli.main import program
os._exit = sys.exit
for words in sys.stdin.read().splitlines():
    sys.argv = ["highside", *words.split()]
    try:
        program()
    except SystemExit as ended:
        assert not ended.code, (words, ended.code)
import pyarrow
pyarrow.array([1])
unused = {"pandas", "pyarrow.acero", "pyarrow._acero", "pyarrow.dataset", "numpy.f2py.auxfuncs"}
assert not unused & set(sys.modules), unused & set(sys.modules)
import numpy.f2py, numpy.testing, scipy.spatial
assert numpy.f2py.get_include()
assert scipy.spatial.ConvexHull([[0, 0], [0, 1], [1, 0]]).volume == 0.5
numpy.testing.assert_equal(1, 1)
"""
    commands = """load deck-1.csv deck-2.csv
load deck-1.csv
history --since 2025-06-01 --export runs.csv
suggest --line deck-1 --min-grade 0.985 --trials 1
diagnose --line deck-1 --min-grade 0.985
compare --min-grade 0.985 --feed-rate 2.4
report --line deck-1 --min-grade 0.985 --trials 1 --sheet sheet.pdf"""
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, cwd=tmp_path, input=commands, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Run now" in done.stdout
    assert (tmp_path / "report.html").exists()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [(["--help"], 0, "First look"), (["load", "nothing.csv"], 2, ""), (["no-such-command"], 2, "")],
)
def test_an_abort_after_the_answer_does_not_change_the_exit_code(tmp_path, words, code, said):
    """Threads of pyarrow sometimes abort while Python exits; a stub aborts at the same moment."""
    script = f"""
import atexit, os, sys
from cli.main import program
atexit.register(os.abort)
sys.argv = ["highside", *{words!r}]
program()
"""
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == code, done.stderr
    assert said in done.stdout
    assert bool(done.stderr) == (code != 0)
