"""Every row of a log is a run or a reject, and a rejected row can be corrected and loaded again."""

from __future__ import annotations

import csv
import json
import tempfile
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.history.history import History
from optimizer.intake.settling.load import load_bytes, load_logs, load_table
from tests.intake.rows import SITE, load, row, text

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
