"""From logs to runs: rejected rows with their reasons, cells and headings that are understood."""

from __future__ import annotations

import datetime
import re
from typing import Any

import pytest

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.intake.settling.load import load_bytes
from optimizer.plant.site import Site
from tests.intake.rows import GOOD, JOINT, MOISTURE, SITE, load, row

# -- rejected rows and their reasons ------------------------------------------------------------

REFUSALS = [
    ("missing setting", {"air": ""}, "air", "air is missing: expected a number from 0 to 90 turn"),
    ("marked missing", {"air": "n/a"}, "air", "air is missing"),
    ("text", {"air": "high"}, "air", "air 'high' is not a number: expected a number from 0"),
    (
        "unit of another kind",
        {"air": "3 bar"},
        "air",
        "'3 bar' has the unit 'bar', which line 'A' d",
    ),
    (
        "per cent of turns",
        {"air": "30 %"},
        "air",
        "air '30 %' has the unit '%', which line 'A' does",
    ),
    ("infinite", {"feed_rate": "inf"}, "feed_rate", "feed_rate 'inf' is not finite"),
    ("negative", {"feed_rate": "-1"}, "feed_rate", "-1 is negative and outside the declared"),
    ("too much", {"feed_rate": "4.1"}, "feed_rate", "expected a number from 0.5 to 4 t/h on line"),
    ("quoted decimal comma", {"grade": "0,97"}, "grade", "'0,97' has a decimal comma"),
    ("per cent as fraction", {"recovery": "97.2"}, "recovery", r"\[%\]' or the number as 0.972"),
    ("above per cent", {"recovery": "101"}, "recovery", "101 is outside its range: expected a fr"),
    ("above 100 %", {"recovery": "101 %"}, "recovery", "101 % is outside its range: expected fro"),
    ("below 0", {"grade": "-0.1"}, "grade", "-0.1 is outside its range: expected a fraction"),
    ("no grade", {"grade": ""}, "grade", "grade is missing and the deck ran even"),
    ("negative error", {"grade_se": "-0.1"}, "grade_se", "a fraction from 0 to 0.5"),
    ("error in per cent", {"grade_se": "0.6"}, "grade_se", "0.6 could be per cent"),
    ("half a seed", {"grade_count": "20.5"}, "grade_count", "20.5 is not a count of particles"),
    ("no seeds", {"grade_count": "0"}, "grade_count", "expected a whole number above 0"),
    ("correlation of 1.2", {JOINT[0]: "1.2"}, JOINT[0], f"{JOINT[0]} 1.2 is .* from -1 to 1"),
    (
        "correlation in words",
        {JOINT[3]: "high"},
        JOINT[3],
        "'high' is not a number: expected a num",
    ),
    ("correlation of -1.2", {JOINT[4]: "-1.2"}, JOINT[4], "-1.2 is outside its range"),
    ("error of feed below 0", {JOINT[1]: "-0.1"}, JOINT[1], f"{JOINT[1]} -0.1 .* from 0 to 0.5"),
    ("error of feed in per cent", {JOINT[1]: "0.6"}, JOINT[1], "0.6 could be per cent"),
    ("half a seed of feed", {JOINT[2]: "20.5"}, JOINT[2], "20.5 is not a count of particles"),
    (
        "impossible correlations",
        {JOINT[0]: "-0.9", JOINT[3]: "0.9", JOINT[4]: "0.9"},
        JOINT[4],
        "recovery_feed_correlation 0.9 cannot be true together with grade_recovery_correlation and",
    ),
    ("unknown state", {"deck_state": "boilin"}, "deck_state", "Did you mean 'boiling'"),
    ("too wet", {"moisture": "25"}, "moisture", "25 is outside the declared range: expected a num"),
    ("no date", {"started_at": "soon"}, "started_at", "'soon' is not a date: write year-month-day"),
    ("30 February", {"started_at": "2025-02-30"}, "started_at", "'2025-02-30' is not a date"),
    ("month 13", {"started_at": "13/13/2025"}, "started_at", "'13/13/2025' is not a date"),
    ("two days", {"started_at": "03/04/2025"}, "started_at", "2025-04-03 or 2025-03-04"),
    ("far future", {"started_at": "2250-01-01"}, "started_at", "more than a day ahead of the cl"),
    ("no line", {"line": ""}, "line", "line is missing: fill it in, or give"),
    ("line of 70 umlauts", {"line": "ä" * 70}, "line", "line is too long for the name of a line"),
    ("turned line", {"line": "A\u202eB"}, "line", "holds a control character or a mark of wri"),
]


def test_each_faulty_row_is_rejected_with_its_reason(history: History) -> None:
    empty = dict.fromkeys(JOINT, "")
    rows = [{**empty, **row(started_at=f"2025-02-{k:02d}")} for k in range(1, 3)]
    rows += [
        {**empty, **row(started_at=f"2025-04-01 10:{k:02d}"), **cells}
        for k, (_, cells, _, _) in enumerate(REFUSALS)
    ]
    report = load(history, rows, dry_run=True)
    assert (report.read, report.added, report.rejected) == (len(rows), 2, len(REFUSALS))
    found = {reject["row"]: reject for reject in report.rejects}
    for at, (case, cells, field, reason) in enumerate(REFUSALS, 4):
        reject = found[at]
        assert (reject["file"], reject["field"]) == ("log.csv", field), case
        assert reject["value"] == cells[field], case
        assert re.search(reason, reject["reason"]), (case, reject["reason"])


@pytest.mark.parametrize("unit", ["", "%"])
@pytest.mark.parametrize("cell", ["0.4 %", "0.004 fraction", None])
def test_the_error_of_the_feed_grade_is_read_in_the_unit_of_the_feed_grade(
    history: History, unit: str, cell: str | None
) -> None:
    material = {"unit": unit, "low": 50 if unit else 0.5, "high": 100 if unit else 1}
    site = Site.from_dict({"material": {"feed_grade": material, **MOISTURE}})
    own = "0.4" if unit else "0.004"
    report = load(history, [row(feed_grade="93%", feed_grade_se=cell or own)], site)
    assert report.added == 1, report.rejects
    assert history.at().runs()["feed_grade_se"].to_pylist() == [0.004]
    shown = history.at().runs(site)["feed_grade_se"].to_pylist()
    assert shown == [pytest.approx(float(own))]


def test_correlations_rounded_to_two_decimals_are_accepted(history: History) -> None:
    """Of three errors of which the third is the sum of the others (0.8, 0.6 and 0): exactly
    possible, and no longer once rounded down."""
    cells = {JOINT[0]: "-0.01", JOINT[3]: "0.8", JOINT[4]: "0.6"}
    assert load(history, [row(**cells)]).added == 1


def test_errors_say_nothing_about_which_run_a_row_is(history: History) -> None:
    undated = row(started_at="", feed_grade="0.93", feed_grade_se="0.004")
    assert load(history, [undated]).added == 1
    assert load(history, [undated]).already_known == 1
    (reject,) = load(history, [{**undated, "feed_grade_se": "0.005"}]).rejects
    assert reject["field"] == "feed_grade_se"
    assert "feed_grade_se is 0.004 there and 0.005 here" in reject["reason"]


def test_one_reject_joins_all_faults_in_field_order(history: History) -> None:
    (reject,) = load(history, [row(grade="2", air="", deck_state="odd")]).rejects
    assert reject["field"] == "air"
    order = [reject["reason"].index(f) for f in ("air is", "deck_state 'odd'", "grade 2 could")]
    assert order == sorted(order)


ACCEPTED = [
    ("empty state is even", {"deck_state": ""}, "deck_state", "even"),
    ("state in capitals", {"deck_state": " Even "}, "deck_state", "even"),
    (
        "failed without result",
        {"deck_state": "boiling", "grade": "", "recovery": ""},
        "grade",
        None,
    ),
    ("unit in cell", {"air": "3 turns"}, "air", 3.0),
    ("per cent sign", {"recovery": "97.2 %"}, "recovery", 0.972),
    ("edge of range", {"feed_rate": "4.0000001"}, "feed_rate", 4.0000001),
    ("rounding above 1", {"recovery": "1.0000000002"}, "recovery", 1.0),
    ("whole count", {"grade_count": "200.0"}, "grade_count", 200),
    ("no date", {"started_at": ""}, "started_at", None),
    ("zone", {"started_at": "2025-03-01T12:00:00+02:00"}, "started_at", "2025-03-01 10:00"),
    ("date only", {"started_at": "2025-03-01"}, "started_at", "2025-03-01 00:00"),
    (
        "nanoseconds",
        {"started_at": "2025-03-01 10:00:00.123456789"},
        "started_at",
        "2025-03-01 10:00:00.123456",
    ),
    ("day first", {"started_at": "25/12/2025 10:30"}, "started_at", "2025-12-25 10:30"),
    ("month first", {"started_at": "12/25/2025"}, "started_at", "2025-12-25 00:00"),
]


@pytest.mark.parametrize(
    ("cells", "field", "stored"), [r[1:] for r in ACCEPTED], ids=[r[0] for r in ACCEPTED]
)
def test_row_is_read_as_meant(
    history: History, cells: dict[str, str], field: str, stored: Any
) -> None:
    report = load(history, [row(**cells)])
    assert report.added == 1, report.rejects
    value = history.at().runs(site=SITE).to_pylist()[0][field]
    if field == "started_at" and stored is not None:
        stored = datetime.datetime.fromisoformat(stored).replace(tzinfo=datetime.UTC)
    assert value == stored


# -- headings -----------------------------------------------------------------------------------


def test_headings_take_any_case_separator_and_unit(history: History) -> None:
    log = (
        "LINE|Started At|Feed Rate [kg/h]|end-raise (°)|SideTilt|Eccentric_Speed (Hz)|air (turns)|"
        "Grade %|recovery (%)|Moisture [fraction]\n"
        "A|2025-03-01|2000|2.5|1.5|7|30|97.2|90 %|0.12\n"
    )
    assert load_bytes(log.encode(), history, SITE).added == 1
    run = history.at().runs().to_pylist()[0]
    assert run["feed_rate"] == pytest.approx(2.0, rel=1e-12)
    assert run["eccentric_speed"] == pytest.approx(420.0, rel=1e-12)
    assert (run["grade"], run["recovery"], run["moisture"]) == (0.972, 0.9, pytest.approx(12.0))


FILE_REFUSALS = [
    ("lacks settings", {"air": "Knob"}, {}, "no column for air; the headings are 'run_id'.*--map"),
    ("lacks result", {"grade": "Purity", "deck_state": "x"}, {}, "no column for grade; the head"),
    ("lacks line", {"line": "Deck"}, {}, "no column says which line the runs are from: give it w"),
    ("means one field twice", {"note": "Grade %"}, {}, "columns 'grade', 'Grade %' all mean grade"),
    ("has a wrong unit", {"air": "air [kg]"}, {}, "unit 'kg' cannot be turned into 'turn'"),
    ("has an unknown unit", {"grade": "grade (lab)"}, {}, "column 'grade .lab.': unit 'lab' is no"),
]


@pytest.mark.parametrize(
    ("renamed", "more", "reason"), [r[1:] for r in FILE_REFUSALS], ids=[r[0] for r in FILE_REFUSALS]
)
def test_log_is_rejected_completely(
    history: History, renamed: dict[str, str], more: dict[str, Any], reason: str
) -> None:
    rows = [{renamed.get(k, k): v for k, v in GOOD.items()}]
    report = load(history, rows, **more)
    assert report.unreadable == ("log.csv",)
    assert (report.read, report.added, report.rejected) == (0, 0, 0)
    assert re.search(reason, report.files[0].error or "")
    assert report.rejects[0]["row"] == 0
    assert not history.exists
    assert not history.rejects_folder.exists()


@pytest.mark.parametrize(
    ("columns", "mapping"),
    [
        ({"Purity (lab)": "grade [%]"}, None),
        ({"grade": "Purity (lab)"}, {"purity (LAB)": "grade [%]"}),
        (None, {"Purity (lab)": "grade [%]"}),
    ],
)
def test_columns_are_mapped_by_site_and_options(
    history: History, columns: dict[str, str] | None, mapping: dict[str, str] | None
) -> None:
    site = Site.from_dict({"columns": columns or {}})
    rows = [{("Purity (lab)" if k == "grade" else k): v for k, v in row(grade="97").items()}]
    report = load(history, rows, site, mapping=mapping)
    assert report.added == 1, report.as_dict()
    assert history.at().runs()["grade"][0].as_py() == 0.97
    assert any("columns not read: 'moisture'" in w for w in report.warnings)


def test_mapping_to_no_field_names_the_nearest(history: History) -> None:
    with pytest.raises(InputError, match=r"'gradee', which is not a field.*Did you mean 'grade'"):
        load(history, [row()], mapping={"Purity": "gradee"})
    with pytest.raises(InputError, match="neither is a field"):
        load(history, [row()], Site.from_dict({"columns": {"a": "b"}}))
    with pytest.raises(InputError, match="both are fields"):
        load(history, [row()], Site.from_dict({"columns": {"grade": "recovery"}}))


def test_mapped_heading_that_is_missing_is_a_warning(history: History) -> None:
    report = load(history, [row()], mapping={"Purty": "grade"})
    assert "no log has a column 'Purty', which --map names" in report.warnings


def test_an_ignored_column_settles_two_of_one_field(history: History) -> None:
    rows = [row() | {"Grade %": "12"}]
    assert load(history, rows, mapping={"Grade %": "ignore"}).added == 1
    assert history.at().runs()["grade"][0].as_py() == 0.97


def test_line_comes_from_option_or_the_only_declared_one(history: History) -> None:
    rows = [{k: v for k, v in GOOD.items() if k != "line"}]
    assert load(history, rows, line="B").added == 1
    only = Site.from_dict({"lines": {"C": {}}, "material": MOISTURE})
    assert load(history, rows, only).added == 1
    assert history.at().runs()["line"].to_pylist() == ["B", "C"]
