"""No CSV file written here has a cell that a spreadsheet executes; every cell reads back unchanged.

Dangerous first characters: OWASP, "CSV Injection" (=, +, -, @, tab, carriage return, line feed, and
the full-width forms of the first four; from memory).
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.show.tables import write_plan_table
from optimizer.history.history import History
from optimizer.intake.settling.load import load_bytes, load_logs, load_table
from optimizer.interval import Interval
from optimizer.operations.balancing.stream_log import balance_file
from optimizer.planning.plan import Plan, Recommendation, Stopping
from optimizer.plant.site import Site
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.text.formulas import as_meant, harmless
from optimizer.text.visible_text import printable
from tests.history.test_history import run

LIVE = "=+-@\t\r\n＝＋－＠"
TEXTS = [
    "=1+1", "+x", "-x", "@x", "=cmd|'/c calc'!A1", "'=1+1", "''=1+1", "'", "''", "'quoted'", "-5",
    "'-5", "+2 %", "-1+1", "x=1", "'\t=1", "a\n=1",
    "＝1+1", "＋1", "－1", "＠x",
]  # fmt: skip


def live_cells(path: Path) -> list[str]:
    """Cells that are not numbers and begin with a character that starts a formula."""
    cells = [
        cell
        for row in csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline=""))
        for cell in row
    ]
    return [cell for cell in cells if cell[:1] and cell[0] in LIVE and not is_number(cell)]


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")))


def is_number(cell: str) -> bool:
    try:
        float(cell.removesuffix("%"))
    except ValueError:
        return False
    return True


@given(st.text(st.sampled_from("'=+-@＝＠\t\r\n5.,eE% ax"), max_size=6) | st.text())
def test_every_text_reads_back_and_none_is_executed(text: str) -> None:
    written = harmless(text)
    assert as_meant(written) == text
    assert not written or written[0] not in LIVE or is_number(written.replace(",", "."))


@pytest.fixture
def history(tmp_path: Path) -> History:
    """Runs whose texts begin with every dangerous character, and one run with negative numbers."""
    history = History(tmp_path / "history")
    rows = [
        run(run_id=f"{text}#{k}", line=printable(text), material=text, note=text, air=20.0 + k)
        for k, text in enumerate(TEXTS)
    ]
    site = Site.from_dict({"material": {"charge": {"low": -50, "high": 50}}})
    report = load_table([*rows, run(line="-7", charge=-3.5)], history, site)
    assert report.added == len(TEXTS) + 1, report.rejects
    return history


SITE = Site.from_dict({"material": {"charge": {"low": -50, "high": 50}}})


def test_an_export_is_harmless_and_loads_back_unchanged(history: History, tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    history.at().export(path, SITE)
    assert live_cells(path) == []
    (negative,) = [r for r in rows_of(path) if r["line"] == "-7"]
    assert float(negative["charge"]) == -3.5
    copy = History(tmp_path / "copy")
    assert load_logs(path, copy, SITE).added == len(TEXTS) + 1
    ours, theirs = (h.at().runs().drop(["source", "source_row"]) for h in (history, copy))
    assert theirs.equals(ours)
    assert load_logs(path, history, SITE).added == 0


def test_typed_tables_are_read_unchanged(history: History, tmp_path: Path) -> None:
    history.at().export(tmp_path / "runs.parquet", SITE)
    copy = History(tmp_path / "copy")
    load_logs(tmp_path / "runs.parquet", copy, SITE)
    assert copy.at().runs()["note"].equals(history.at().runs()["note"])


def test_an_export_saved_as_a_workbook_loads_back_unchanged(
    history: History, tmp_path: Path
) -> None:
    history.at().export(tmp_path / "runs.csv", SITE)
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO((tmp_path / "runs.csv").read_bytes().decode(), newline="")):
        book.active.append(row)  # type: ignore[union-attr]
    for row in book.active.iter_rows():  # type: ignore[union-attr]
        assert all(cell.data_type != "f" for cell in row)
    book.save(tmp_path / "runs.xlsx")
    copy = History(tmp_path / "copy")
    load_logs(tmp_path / "runs.xlsx", copy, SITE)
    kept = [t for t in TEXTS if t != "-5"]  # the workbook makes it a number; it loads as text again
    assert set(kept) <= set(copy.at().runs()["note"].to_pylist())


def test_a_sheet_is_harmless_and_is_read_back(tmp_path: Path) -> None:
    plan: dict[str, Any] = {
        "line": "=deck", "history_version": 0, "seed": 0, "units": {"air": "turn"},
        "material": {"@rye": 11.0},
        "recommendations": [{"order": 1, "settings": {"air": -3.5}}],
    }  # fmt: skip
    path = tmp_path / "sheet.csv"
    path.write_bytes(sheet_csv(plan).encode())
    assert live_cells(path) == []
    (row,) = rows_of(path)
    assert (row["line"], row["air [turn]"], row["'@rye"]) == ("'=deck", "-3.5", "")
    assert as_meant(row["line"]) == "=deck"


def test_balanced_tests_are_harmless(tmp_path: Path) -> None:
    streams = tmp_path / "streams.csv"
    rows = [
        ["test_id", "stream", "mass", "assay", "line", "@note", "offset"],
        ["=T1", "feed", "1000", "0.93", "+deck", "'@x", "-4"],
        ["=T1", "product", "900", "0.98", "", "", ""],
        ["=T1", "reject", "100", "0.48", "", "", ""],
    ]
    streams.write_text("\n".join(map(",".join, rows)), "utf-8")
    assert balance_file(streams).write(tmp_path / "balanced.csv") == 1
    assert live_cells(tmp_path / "balanced.csv") == []
    (row,) = rows_of(tmp_path / "balanced.csv")
    assert (row["run_id"], row["line"], row["'@note"]) == ("'=T1", "'+deck", "'@x")
    assert row["offset"] == "-4"


def test_a_plan_as_csv_is_harmless(tmp_path: Path) -> None:
    ends = Interval(0.9, 0.8, 1.0)
    trial = Recommendation(
        rank=1,
        settings={"air": -1.0},
        grade=ends,
        recovery=ends,
        chance_of_grade=0.5,
        chance_even=1.0,
        expected_gain=-0.01,
        product_t_per_h=None,
        material_t=1.0,
        minutes=30,
        why="-",
    )
    plan = Plan(
        line="=deck",
        material={},
        seed=0,
        history_version=None,
        runs_used=0,
        set_points=0,
        min_grade=None,
        confidence=0.9,
        units={},
        run_now=None,
        recommendations=(trial,),
        stopping=Stopping("continue", None, ""),
        warnings=(),
    )
    write_plan_table([plan], "csv", tmp_path / "plan.csv")
    assert live_cells(tmp_path / "plan.csv") == []
    (row,) = rows_of(tmp_path / "plan.csv")
    assert (row["line"], row["air"], row["expected_gain"]) == ("'=deck", "-1.0", "-0.01")


def test_rejected_rows_are_harmless_and_load_once_corrected(tmp_path: Path) -> None:
    history = History(tmp_path / "history")
    head = [*run(), "note", "=heading"]
    rows = [
        [*(str(v) for v in run(air="").values()), f'"{text}"', f"@{k}"]
        for k, text in enumerate(TEXTS)
    ]
    log = "\n".join(map(",".join, [head, *rows]))
    report = load_bytes(log.encode(), history)
    assert report.rejected == len(TEXTS)
    path = Path(report.rejects_file or "")
    assert live_cells(path) == []
    first = path.read_bytes()
    load_logs(path, history)  # uncorrected: no second apostrophe may be added
    assert path.read_bytes() == first
    table = rows_of(path)
    for k, row in enumerate(table):
        row["air"] = str(20 + k)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(table[0]))
    writer.writeheader()
    writer.writerows(table)
    assert load_bytes(out.getvalue().encode(), history).added == len(TEXTS)
    # A log cell that an apostrophe protects means the text after the apostrophe.
    meant = {as_meant(text).strip() for text in TEXTS}
    assert set(history.at().runs()["note"].to_pylist()) == meant
    assert not json.loads(json.dumps(report.as_dict()))["files"][0]["added"]
