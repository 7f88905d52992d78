"""From logs to runs: parsing, rejected rows with their reasons, and the identity of runs."""

from __future__ import annotations

import csv
import datetime
import decimal
import gzip
import io
import json
import re
import tempfile
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.identity import hash_text, number_codes
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_logs, load_table
from optimizer.numerics.key_map import KeyMap
from optimizer.plant.run_columns import JOINT_ERRORS
from optimizer.plant.site import Site

SETTINGS = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
GOOD = {
    "run_id": "",
    "line": "A",
    "started_at": "2025-03-01 10:00",
    "feed_rate": "2",
    "end_raise": "2.5",
    "side_tilt": "1.5",
    "eccentric_speed": "400",
    "air": "30",
    "grade": "0.97",
    "recovery": "0.9",
    "grade_se": "0.01",
    "grade_count": "200",
    "deck_state": "even",
    "moisture": "12",
    "note": "",
}
JOINT = JOINT_ERRORS
MOISTURE = {"moisture": {"unit": "%", "low": 5, "high": 20}}
SITE = Site.from_dict({"material": MOISTURE})


def row(**cells: str) -> dict[str, str]:
    return {**GOOD, **cells}


def text(rows: list[dict[str, str]], delimiter: str = ",") -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


def load(history: History, rows: list[dict[str, str]], site: Site = SITE, **how: Any) -> Any:
    options = LoadOptions(**how)
    return load_bytes(text(rows).encode(), history, site, file="log.csv", options=options)


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
]


@pytest.mark.parametrize(
    ("cells", "field", "reason"), [r[1:] for r in REFUSALS], ids=[r[0] for r in REFUSALS]
)
def test_row_is_rejected_with_reason(
    history: History, cells: dict[str, str], field: str, reason: str
) -> None:
    good = {**dict.fromkeys(cells, ""), **row()}
    report = load(history, [good, {**good, "started_at": "2025-03-02", **cells}])
    assert (report.read, report.added, report.rejected) == (2, 1, 1)
    (reject,) = report.rejects
    assert reject["file"] == "log.csv"
    assert reject["row"] == 3
    assert reject["field"] == field
    assert reject["value"] == cells[field]
    assert re.search(reason, reject["reason"]), reject["reason"]


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


# -- formats ------------------------------------------------------------------------------------

PLAIN = text([row(note="Körner; fein, trocken")])
FORMATS = {
    "comma": PLAIN.encode(),
    "bom and crlf": b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode(),
    "semicolon": text([row(note="Körner; fein, trocken")], ";").encode(),
    "tab": text([row(note="Körner; fein, trocken")], "\t").encode(),
    "pipe": text([row(note="Körner; fein, trocken")], "|").encode(),
    "gzip": gzip.compress(PLAIN.encode()),
    "utf-16": PLAIN.encode("utf-16"),
    "windows-1252": PLAIN.encode("cp1252"),
    "no last line end": PLAIN.rstrip("\n").encode(),
    "blank lines": ("\n\n" + PLAIN + "\n   \n" + "," * (len(GOOD) - 1) + "\n").encode(),
}


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same_run(history: History, name: str) -> None:
    report = load_bytes(FORMATS[name], history, SITE)
    assert (report.read, report.added) == (1, 1), report.rejects
    run = history.at().runs(site=SITE).to_pylist()[0]
    assert run["note"] == "Körner; fein, trocken"
    load(History(history.folder.parent / "plain"), [row()])  # type: ignore[union-attr]
    plain = History(history.folder.parent / "plain").at().runs()  # type: ignore[union-attr]
    assert run["run_id"] == plain["run_id"][0].as_py()


def test_decimal_commas_are_read_where_they_are_unambiguous(history: History) -> None:
    commas = {k: v.replace(".", ",") for k, v in row(grade="0.972").items()}
    report = load_bytes(text([commas], ";").encode(), history, SITE)
    assert report.added == 1, report.rejects
    assert history.at().runs()["grade"][0].as_py() == 0.972


@pytest.mark.parametrize(("other", "cell"), [("2.5", "1,500"), ("2,5", "1.500")])
def test_an_ambiguous_thousands_separator_is_rejected(
    history: History, other: str, cell: str
) -> None:
    rows = [row(end_raise=other), row(end_raise=other, feed_rate=cell)]
    rows = [{k: v.replace("0.", "0" + other[1]) for k, v in r.items()} for r in rows]
    report = load_bytes(text(rows, ";").encode(), history, SITE)
    assert (report.added, report.rejected) == (1, 1), report.rejects
    assert "with a decimal mark or with a thousands mark" in report.rejects[0]["reason"]


def test_ragged_rows_are_rejected_at_their_lines(history: History) -> None:
    lines = text([row(note="two\nlines"), row(run_id="x"), row(run_id="y", air="31")]).splitlines()
    assert len(lines) == 5
    lines[3] = lines[3].replace("0.97", "0,97")
    lines.insert(3, "")
    lines.append("only,three,cells")
    report = load_bytes("\n".join(lines).encode(), history, SITE)
    assert (report.read, report.added, report.rejected) == (4, 2, 2)
    assert [r["row"] for r in report.rejects] == [5, 7]
    assert (
        "16 cells and there are 15 headings: check for a decimal comma"
        in report.rejects[0]["reason"]
    )
    assert "3 cells and there are 15 headings" in report.rejects[1]["reason"]
    assert sorted(history.at().runs()["source_row"].to_pylist()) == [2, 6]


@pytest.mark.parametrize("size", [190, 410, 530, 777])
def test_row_numbers_hold_across_blocks(
    history: History, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", size)
    monkeypatch.setattr("optimizer.intake.formats.delimited.SAMPLE_BYTES", 300)
    rows = [
        row(run_id=f"r{k}", note='say "yes"\nor ' + "no " * 30 if k % 3 == 0 else "")
        for k in range(60)
    ]
    rows[41]["air"] = "high"
    report = load(history, rows)
    assert (report.read, report.added, report.rejected) == (60, 59, 1)
    lines = text(rows).splitlines()
    at = {r["run_id"]: r["source_row"] for r in history.at().runs().to_pylist()}
    assert all(lines[n - 1].startswith(f"{run},") for run, n in at.items())
    assert lines[report.rejects[0]["row"] - 1].startswith("r41,")


def test_parquet_types_are_read(history: History, tmp_path: Path) -> None:
    table = pa.table(
        {
            "line": pa.array(["A", "A"]).dictionary_encode(),
            "run_id": pa.array([17.0, 18.0]),
            "started_at": pa.array([1_740_823_200_000_000_000] * 2, pa.timestamp("ns", "+02:00")),
            "feed_rate": pa.array([decimal.Decimal("2.0")] * 2),
            "end_raise": pa.array([2.5, 2.5], pa.float32()),
            "side_tilt": pa.array([2, 2], pa.int8()),
            "eccentric_speed": [400, None],
            "air": [30.0, 30.0],
            "grade": [0.97, float("nan")],
            "recovery": pa.array([0.9, 0.9], pa.float32()),
        }
    )
    pq.write_table(table, tmp_path / "log.parquet")
    report = load_logs(tmp_path / "log.parquet", history)
    assert (report.added, report.rejected) == (1, 1)
    assert report.rejects[0]["row"] == 2
    assert "eccentric_speed is missing" in report.rejects[0]["reason"]
    assert "grade is missing" in report.rejects[0]["reason"]
    run = history.at().runs().to_pylist()[0]
    assert (run["run_id"], run["recovery"]) == ("17", pytest.approx(0.9, rel=1e-6))
    assert run["started_at"] == datetime.datetime(2025, 3, 1, 10, tzinfo=datetime.UTC)


BROKEN = {
    "empty": (b"", "is empty"),
    "blank": (b"\n \n", "is empty"),
    "noise": (bytes(range(256)) * 9, "neither text nor Parquet"),
    "workbook": (b"PK\x03\x04....", "a damaged workbook or archive"),
    "cut Parquet": (b"PAR1....", "a damaged Parquet file"),
    "cut gzip": (gzip.compress(PLAIN.encode())[:-9], "Compressed file ended"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_does_not_stop_the_others(
    history: History, tmp_path: Path, name: str
) -> None:
    content, reason = BROKEN[name]
    (tmp_path / "bad.csv").write_bytes(content)
    (tmp_path / "good.csv").write_text(PLAIN, encoding="utf-8")
    report = load_logs(
        [tmp_path / "bad.csv", tmp_path / "good.csv", tmp_path / "gone"], history, SITE
    )
    assert report.added == 1
    assert [Path(f).name for f in report.unreadable] == ["bad.csv", "gone"]
    assert reason in report.as_dict()["files"][0]["error"]
    assert "does not exist" in report.as_dict()["files"][2]["error"]


def test_a_gzip_cut_late_gives_the_rows_before(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", 2000)
    monkeypatch.setattr("optimizer.intake.formats.delimited.SAMPLE_BYTES", 1000)
    rng = np.random.default_rng(5)
    rows = [row(run_id=f"{k}", note=rng.bytes(40).hex()) for k in range(3000)]
    report = load_bytes(gzip.compress(text(rows).encode())[:-5000], history, SITE, file="cut.gz")
    assert 0 < report.added < 3000
    assert report.read == report.added
    assert f"The {report.read} rows before that were read" in (report.files[0].error or "")


def test_folders_and_patterns_give_each_log_once(history: History, tmp_path: Path) -> None:
    season = tmp_path / "season"
    (season / "deep").mkdir(parents=True)
    (season / "a.csv").write_text(text([row(run_id="a")]), encoding="utf-8")
    (season / "deep" / "b.TSV").write_text(text([row(run_id="b")], "\t"), encoding="utf-8")
    (season / "readme.md").write_text("no log", encoding="utf-8")
    seen: list[tuple[str, int, int]] = []
    report = load_logs(
        [season, str(season / "*.csv")], history, SITE, progress=lambda *told: seen.append(told)
    )
    assert (len(report.files), report.added) == (2, 2)
    assert [(Path(name).name, k, n) for name, k, n in seen] == [("a.csv", 1, 2), ("b.TSV", 2, 2)]
    with pytest.raises(InputError, match="no log at"):
        load_logs([tmp_path / "nothing*.csv"], history)


# -- the same run -------------------------------------------------------------------------------


def test_same_log_as_csv_twice_and_parquet_once_gives_each_run_once(history: History) -> None:
    rng = np.random.default_rng(11)
    n = 3000
    columns: dict[str, Any] = {
        "line": ["A"] * n,
        "started_at": [f"2025-01-01 {k // 60 % 24:02d}:{k % 60:02d}:00" for k in range(n)],
        "feed_rate": rng.uniform(0.5, 4, n),
        "end_raise": rng.uniform(0.5, 5, n),
        "side_tilt": rng.uniform(0.5, 4.5, n),
        "eccentric_speed": rng.uniform(300, 600, n),
        "air": rng.uniform(0, 90, n),
        "grade": rng.uniform(0.9, 1, n),
        "recovery": rng.uniform(0.5, 1, n),
    }
    table = pa.table(columns)
    out = io.BytesIO()
    pa.csv.write_csv(table, out)
    assert load_bytes(out.getvalue(), history).added == n
    assert load_bytes(out.getvalue(), history).already_known == n
    single = pa.table(
        [c.cast(pa.float32()) if pa.types.is_floating(c.type) else c for c in table.columns],
        names=table.column_names,
    )
    assert load_table(single, history).already_known == n
    per_cent = single.rename_columns([f"{c} %" if c == "grade" else c for c in columns])
    scaled = pa.array(np.round(columns["grade"], 4) * 100)
    per_cent = per_cent.set_column(7, "grade %", scaled)
    plain = single.set_column(7, "grade", pa.array(np.round(columns["grade"], 4)))
    plain, per_cent = (t.set_column(0, "line", pa.array(["B"] * n)) for t in (plain, per_cent))
    assert load_table(plain, history).added == n
    assert load_table(per_cent, history).already_known == n
    assert history.at().runs().num_rows == 2 * n


def test_same_run_id_with_other_content_is_rejected_by_name(history: History) -> None:
    load(history, [row(run_id="r1"), row(run_id="r2", moisture="")])
    report = load(
        history,
        [
            row(run_id="r1", grade="0.970001"),
            row(run_id="r1", recovery="0.91", started_at="2025-03-02"),
            row(run_id="r2"),
            row(run_id="r3"),
            row(run_id="r3", air="31"),
        ],
    )
    assert (report.added, report.already_known, report.rejected) == (1, 1, 3)
    reasons = [r["reason"] for r in report.rejects]
    assert "started_at is 2025-03-01 10:00:00+00:00 there and 2025-03-02" in reasons[0]
    assert "recovery is 0.9 there and 0.91 here; give this row its own run_id" in reasons[0]
    assert (
        "run_id 'r2' of line 'A' is already known with other values: moisture is empty"
        in reasons[1]
    )
    assert (report.rejects[2]["field"], report.rejects[2]["value"]) == ("air", "31")


def test_rows_without_id_match_by_content(history: History) -> None:
    first = load(history, [row(run_id="given"), row(), row(note="again")])
    assert (first.added, first.already_known) == (1, 2)
    second = load(history, [row(air="31"), row(air="31", run_id="late")])
    assert (second.added, second.already_known) == (1, 1)
    third = load(history, [row(air="32")])
    fourth = load(history, [row(air="32", run_id="later still")])
    assert (third.added, fourth.already_known) == (1, 1)
    two_lines = load(history, [row(run_id="1", air="50"), row(run_id="1", line="B", air="51")])
    assert two_lines.added == 2


def test_material_makes_two_runs_only_of_undated_rows(history: History) -> None:
    undated = load(history, [row(started_at="", moisture="10"), row(started_at="", moisture="11")])
    assert undated.added == 2
    dated = load(history, [row(moisture="10"), row(moisture="11")])
    assert (dated.added, dated.rejected) == (1, 1)
    assert "moisture is 10 there and 11 here" in dated.rejects[0]["reason"]


def test_declaring_a_material_column_later_changes_no_id(history: History) -> None:
    rows = [{k: v for k, v in GOOD.items() if k != "moisture"}]
    load(history, rows, Site())
    assert load(history, rows, SITE).already_known == 1


def test_codes_agree_where_numbers_do() -> None:
    same = [[9.999999, 10.0], [0.0, -0.0], [97.2 / 100, 0.972], [float(np.float32(0.1)), 0.1]]
    for a, b in same:
        assert number_codes(np.array([a])) == number_codes(np.array([b]))
    codes = number_codes(np.array([0.1, 1.0, 10.0, -1.0, 0.100001, 1e-30, 1e30, 0.0]))
    assert len(set(codes.tolist())) == 8


def test_ids_do_not_change_between_versions(history: History) -> None:
    load(history, [row()])
    assert history.at().runs()["run_id"].to_pylist() == ["687165912a5f492777ba03a0aed5a0cc"]


def test_hash_of_text_depends_on_every_byte_and_not_on_its_place() -> None:
    words = ["", "a", "b", "abcdefgh", "abcdefghi", "abcdefgh" * 5, "abcdefgh" * 5 + "x", "é"]
    hashes = hash_text(pa.array(words))
    assert len(set(hashes.tolist())) == len(words)
    assert hash_text(pa.array(["pad", *words])[1:]).tolist() == hashes.tolist()
    assert hash_text(pa.array([None, "a"]))[0] == 0


def test_key_map_with_many_keys_uses_little_memory() -> None:
    # A map of ten million runs may take at most 48 bytes per run, including one copy of the keys
    # while the map grows.
    keys = np.random.default_rng(3).permutation(np.arange(1, 3_000_001, dtype=np.uint64)) * 7919
    fast = KeyMap()
    tracemalloc.start()
    try:
        for start in range(0, len(keys), 100_000):
            part = keys[start : start + 100_000]
            assert fast.claim(part, part + 1).all()
        used, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert used < 48 * len(keys)
    assert most < 1.7 * used
    assert (fast.get(keys)[1] == keys + 1).all()


# -- nothing is lost ----------------------------------------------------------------------------

cell_of = {
    "run_id": st.sampled_from(["", "", "r1", "r2"]),
    "line": st.sampled_from(["A", "A", "B", ""]),
    "started_at": st.sampled_from(["2025-03-01", "2025-03-02T08:00Z", "", "03/04/2025", "soon"]),
    "feed_rate": st.sampled_from(["2", "2.0", "3.5", "9", "x", "", "1,5"]),
    "grade": st.sampled_from(["0.97", "97 %", "97", ""]),
    "deck_state": st.sampled_from(["", "even", "boiling", "odd"]),
    "note": st.sampled_from(["", "=1+1", 'a "b"', "two\nlines", "'x", "-1.5", "-x"]),
    "moisture": st.sampled_from(["12", "", "99"]),
}
logs = st.lists(
    st.fixed_dictionaries({}, optional=cell_of).map(lambda c: row(**c)), min_size=1, max_size=12
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(first=logs, second=logs, ragged=st.booleans())
def test_every_row_is_a_run_or_a_reject(
    first: list[dict[str, str]], second: list[dict[str, str]], ragged: bool
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        history = History(Path(folder) / "h")
        for name, rows in (("1.csv", first), ("2.csv", second)):
            tail = "one,two\n" if ragged else ""
            Path(folder, name).write_text(text(rows) + tail, encoding="utf-8")
        report = load_logs([Path(folder, "1.csv"), Path(folder, "2.csv")], history, SITE)
        for tally in (report, *report.files):
            assert tally.read == tally.added + tally.already_known + tally.rejected
        assert report.read == len(first) + len(second) + 2 * ragged
        assert history.at().runs().num_rows == report.added
        kept = (
            pq.read_table(history.rejects_folder / "rejected.parquet").num_rows
            if report.rejected
            else 0
        )
        assert kept == report.rejected
        before = history.at().runs()
        again = load_logs([Path(folder, "1.csv"), Path(folder, "2.csv")], history, SITE)
        assert again.added == 0
        assert again.rejected <= report.rejected
        assert history.at().runs().equals(before)
        mended = load_logs(report.rejects_file, history, SITE) if report.rejected else None
        assert mended is None or mended.added == 0
        assert mended is None or mended.read == report.rejected


# -- the rejects file ---------------------------------------------------------------------------


def rejected_rows(history: History) -> list[dict[str, str]]:
    with (history.rejects_folder / "rejected.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_rejects_are_corrected_and_loaded_again(history: History, tmp_path: Path) -> None:
    headed = [{("Grade" if k == "grade" else k): v for k, v in row(grade="97", note="=A1").items()}]
    (tmp_path / "a.csv").write_text(text(headed), encoding="utf-8")
    without = [{k: v for k, v in row(air="", run_id="r9").items() if k != "line"}]
    (tmp_path / "b.csv").write_text(text(without) + "1,2\n", encoding="utf-8")
    load_logs(tmp_path / "a.csv", history, SITE)
    report = load_logs(tmp_path / "b.csv", history, SITE, line="B")
    assert report.rejects_file == str(history.rejects_folder / "rejected.csv")
    rows = rejected_rows(history)
    assert [list(r)[:5] for r in rows] == [["file", "row", "field", "value", "reason"]] * 3
    assert [(Path(r["file"]).name, r["row"], r["field"]) for r in rows] == [
        ("a.csv", "2", "grade"),
        ("b.csv", "2", "air"),
        ("b.csv", "3", "row"),
    ]
    assert rows[0]["note"] == "'=A1"
    assert rows[1]["line"] == "B"
    rows[0]["Grade"] = "0.97"
    rows[1]["air"] = "30"
    (tmp_path / "mended.csv").write_text(text(rows), encoding="utf-8")
    report = load_logs(tmp_path / "mended.csv", history, SITE)
    assert (report.added, report.rejected) == (2, 1)
    assert sorted(history.at().runs()["line"].to_pylist()) == ["A", "B"]
    assert "=A1" in history.at().runs()["note"].to_pylist()
    (left,) = rejected_rows(history)
    assert (left["field"], left["row"]) == ("row", "3")


def test_loading_again_duplicates_no_reject(history: History) -> None:
    for _ in range(2):
        load(history, [row(air="")])
    assert len(rejected_rows(history)) == 1
    load_logs(history.rejects_folder / "rejected.csv", history, SITE)
    load(history, [row(air="", note="another day")])
    kept = pq.read_table(history.rejects_folder / "rejected.parquet").to_pylist()
    assert [dict(r["record"])["note"] for r in kept] == ["", "another day"]
    assert kept[0]["record"] == list(row(air="").items())


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+x", "'+x"),
        ("-x", "'-x"),
        ("@x", "'@x"),
        ("'quoted", "''quoted"),
        ("-1.5", "-1.5"),
        ("+2 %", "+2 %"),
        ("1=1", "1=1"),
    ],
)
def test_no_cell_is_a_formula_and_every_cell_reads_back(
    history: History, cell: str, written: str
) -> None:
    load(history, [row(air="", note=cell)])
    (reject,) = rejected_rows(history)
    assert reject["note"] == written
    reject["air"] = "30"
    load_bytes(text([reject]).encode(), history, SITE)
    assert history.at().runs()["note"].to_pylist() == [cell]


def test_dry_run_gives_an_equal_report_and_writes_nothing(history: History) -> None:
    rows = [row(run_id="a"), row(run_id="a", air="31"), row(air=""), row()]
    dry = load(history, rows, dry_run=True).as_dict()
    assert not history.folder.exists()  # type: ignore[union-attr]
    wet = load(history, rows).as_dict()
    assert dry["rejects_file"] is None
    assert dry["version"] is None
    ignore = ("rejects_file", "version")
    assert {k: v for k, v in dry.items() if k not in ignore} == {
        k: v for k, v in wet.items() if k not in ignore
    }


def test_report_has_the_promised_keys(history: History) -> None:
    document = load(history, [row(), row(air="")]).as_dict()
    assert list(document) == [
        "schema", "read", "added", "already_known", "rejected", "files",
        "rejects_file", "rejects", "warnings", "version", "questions",
    ]  # fmt: skip
    assert document["schema"] == "highside.load/1"
    assert document["files"] == [
        {"file": "log.csv", "read": 2, "added": 1, "already_known": 0, "rejected": 1}
    ]
    assert list(document["rejects"][0]) == ["file", "row", "field", "value", "reason"]
    json.dumps(document, allow_nan=False)


def test_rows_in_memory_pass_the_same_checks(history: History) -> None:
    rows = [
        {"line": "A", "feed_rate": 2, "end_raise": 2.5, "side_tilt": 1.5, "eccentric_speed": 400,
         "air": 30, "grade": 0.97, "recovery": 0.9},
        {"line": "A", "feed_rate": "two", "end_raise": 2.5, "side_tilt": 1.5, "air": None,
         "eccentric_speed": 400, "grade": 97.0, "recovery": 0.9},
    ]  # fmt: skip
    report = load_table(rows, history, file="record")
    assert (report.added, report.rejected) == (1, 1)
    (reject,) = report.rejects
    assert (reject["file"], reject["row"], reject["field"]) == ("record", 2, "feed_rate")
    assert "97 could be per cent" in reject["reason"]
    assert history.at().runs()["source"].to_pylist() == ["record"]
