"""``init`` from logs and from answers, by the command."""

from __future__ import annotations

import io
import json
import sys

import pytest

from optimizer import Site

HEADINGS = (
    "Date;Start;Table;Feed kg/h;End slope (deg);Cross slope (deg);Drive (rpm);Fan %;Purity;"
    "Recovered;Moisture %;Kappa"
)
LOG = f"""Mill log of the north hall
{HEADINGS}
13.03.2026;06:30;A;1800;2,4;2,4;440;40;98,2;92,1;11,3;7
14.03.2026;07:30;B;2000;2,6;2,2;450;42;97,9;91,1;11,6;8
14.03.2026;08:30;B;2250;2,6;2,2;455;45;97,5;90,4;11,9;9
"""


@pytest.fixture
def log(tmp_path):
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    return "log.csv"


@pytest.fixture
def answers(monkeypatch):
    """``answers("a", "b")`` are the lines of stdin."""
    return lambda *lines: monkeypatch.setattr(
        sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines))
    )


def test_a_site_file_is_proposed_from_a_log(run, log):
    arguments = ("--map", "Drive=eccentric_speed", "--time-zone", "America/Bogota")
    code, out, _ = run("init", "--from", log, *arguments, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["loads"] == {"read": 3, "added": 3, "rejected": 0, "reasons": []}
    assert document["unread"] == {"Kappa": "7, 8, 9"}
    assert document["open"] == []
    feed, *_, air = document["settings"]
    assert feed == {"name": "feed_rate", "unit": "kg/h", "low": 1800, "high": 2250, "step": 50}
    assert air["unit"] == "%"
    assert document["columns"]["Purity"] == "grade [%]"
    site = Site.read("site.toml")
    assert site.time_zone.name == "America/Bogota"
    assert site.material["moisture"].unit == "%"
    code, out, _ = run("load", log, "--json")
    assert code == 0
    assert json.loads(out)["rejected"] == 0


def test_what_no_log_tells_is_asked(run, log):
    code, out, _ = run("init", "--from", log, "--map", "Drive=eccentric_speed")
    assert code == 0
    assert "? time_zone: where are the clocks of the plant?" in out
    assert "'Kappa' is not read (7, 8, 9)" in out


def test_a_log_whose_settings_are_not_found_says_which_and_writes_nothing(run, log, tmp_path):
    code, _, err = run("init", "--from", log)
    assert code == 2
    assert "no column for eccentric_speed" in err
    assert '--map "HEADING=field"' in err
    assert not (tmp_path / "site.toml").exists()


@pytest.mark.parametrize("options", [(), ("--ask",), ("--from", "log.csv")])
def test_a_file_that_exists_is_replaced_only_when_told(run, log, tmp_path, options):
    (tmp_path / "site.toml").write_text("# mine\n")
    code, _, err = run("init", *options)
    assert code == 2
    assert "'site.toml' exists and was left alone" in err
    assert "--replace" in err
    assert (tmp_path / "site.toml").read_text() == "# mine\n"


def test_the_template_replaces_a_file_when_told(run, tmp_path):
    (tmp_path / "site.toml").write_text("# mine\n")
    assert run("init", "--replace")[0] == 0
    assert "[settings.air]" in (tmp_path / "site.toml").read_text()


PLANT = ("my mill", "Africa/Nairobi", "kg", "day-first")
FIVE = ("kg/h", "500", "4000", "50", *("",) * 4, "mm", "5", "80", "1", *("",) * 4)
AIR = ("%", "0", "100", "2,5", "4")
REST = ("moisture, temperature", "", "8", "16", "degF", "40", "110", "deck-1, deck-2")


def test_answers_make_a_site_file(run, answers):
    answers(*PLANT, *FIVE, *AIR, *REST)
    code, out, err = run("init", "--ask")
    assert code == 0, err
    site = Site.read("site.toml")
    assert (site.name, site.mass.name, site.date_order) == ("my mill", "kg", "day-first")
    assert site.space["feed_rate"].unit == "kg/h"
    assert site.space["side_tilt"].unit == "mm"
    assert site.space["air_4"].step == 2.5
    assert site.material["temperature"].unit == "degF"
    assert set(site.file.lines) == {"deck-1", "deck-2"}
    assert "air: 0 to 100 %, step 2.5, 4 gates" in out
    assert "At how many gates is the air set in turn? [1]" in err


def test_empty_answers_take_the_defaults(run, answers):
    answers(*("",) * 27)
    assert run("init", "--ask")[0] == 0
    assert Site.read("site.toml").space == Site().space


@pytest.mark.parametrize(
    ("given", "part"),
    [
        (("mill", "Africa/Nairoby"), "time zone 'Africa/Nairoby' is not known. Did you mean"),
        (("mill", "", "stone"), "'stone' is not one of t, kg, lb, short_ton"),
        ((*PLANT, "bananas"), "'bananas' is not a unit of feed_rate"),
        ((*PLANT, "t/h", "much"), "'much' is not a number"),
        ((*PLANT, "t/h", "4", "2"), "2 must be above 4"),
        ((*PLANT, "t/h", "1", "4", "9"), "step 9 must be above 0 and fit between 1 and 4"),
        (PLANT, "the answers end before the question 'In which unit"),
    ],
)
def test_a_wrong_or_missing_answer_writes_nothing(run, answers, tmp_path, given, part):
    answers(*given)
    code, _, err = run("init", "--ask")
    assert code == 2
    assert part in err
    assert "Nothing was written" in err
    assert not (tmp_path / "site.toml").exists()


def test_a_column_that_was_not_matched_is_asked_about_first(run, log, answers):
    answers("eccentric_speed", "none", *("",) * 60)
    code, _, err = run("init", "--from", log, "--map", "Drive=eccentric_speed", "--ask")
    assert code == 2  # 'Kappa' is the only column to ask about, and a field that is taken
    answers("lot", *("",) * 60)
    code, _, err = run("init", "--from", log, "--map", "Drive=eccentric_speed", "--ask")
    assert code == 0, err
    assert "What does the column 'Kappa' hold (7, 8, 9)?" in err
    assert Site.read("site.toml").columns["Kappa"] == "lot"


@pytest.mark.parametrize("option", [("--map", "A=air"), ("--line", "A")])
def test_options_of_logs_need_logs(run, option):
    code, _, err = run("init", *option)
    assert code == 2
    assert "Add --from LOG" in err


def test_a_unit_of_several_meanings_is_asked_for_and_not_guessed(run, log, tmp_path):
    text = (tmp_path / log).read_text(encoding="utf-8")
    changes = {"Feed kg/h": "Feed (tons/h)", "1800": "1,8", "2000": "2,0", "2250": "2,2"}
    for old, new in changes.items():
        text = text.replace(old, new)
    (tmp_path / log).write_text(text, encoding="utf-8")
    drive = ("--map", "Drive=eccentric_speed")
    code, _, err = run("init", "--from", log, *drive)
    assert code == 2
    assert "can be a tonne, a short ton or a long ton" in err
    assert '--map "HEADING=feed_rate [short_ton/h]"' in err
    (tmp_path / log).write_text(
        text.replace("1800", "1,8").replace("2000", "2,0").replace("2250", "2,2")
    )
    assert (
        run("init", "--from", log, *drive, "--map", "Feed (tons/h)=feed_rate [short_ton/h]")[0] == 0
    )
    assert Site.read("site.toml").columns["Feed (tons/h)"] == "feed_rate [short_ton/h]"


def test_gates_are_proposed_from_columns_with_numbers(run, tmp_path):
    (tmp_path / "log.csv").write_text(
        "line,feed_rate,end_raise,side_tilt,eccentric_speed,Air gate 1,Air gate 2,grade,recovery\n"
        "A,1.8,2.4,2.1,440,30,32,0.975,0.9\nA,2.0,2.4,2.2,450,31,36,0.98,0.91\n"
    )
    code, out, err = run("init", "--from", "log.csv", "--json")
    assert code == 0, err
    document = json.loads(out)
    assert document["loads"]["added"] == 2
    assert document["settings"][-1] == {
        "name": "air", "unit": "turn", "low": 30, "high": 36, "step": 1, "gates": 2,
    }  # fmt: skip
    assert document["columns"] == {"Air gate 1": "air_1", "Air gate 2": "air_2"}
