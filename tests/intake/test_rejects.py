"""Rejects of packed logs and of many rows: corrected rows load again, whatever their source."""

from __future__ import annotations

import csv
import gzip
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.intake.settling.load import load_bytes, load_logs, load_table
from optimizer.intake.settling.load_report import SHOWN_REJECTS
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.operations.balancing.stream_log import balance_file
from tests.corpus.build import BUILT

HEAD = "line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery"


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


def rejected(history: History) -> list[dict[str, str]]:
    path = history.rejects_folder / "rejected.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def write(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.mark.parametrize(
    ("built", "member", "row", "field", "mended"),
    [
        ("zip_of_several", "logs.zip/logs/b.tsv", "2", "air", "38"),
        ("workbook_formats", "book.xlsx/Runs", "6", "air", "38"),
        ("workbook_text_numbers", "book.xlsx/Runs", "3", "feed_rate", "1.5 t/h"),
        ("parquet_typed", "log.parquet", "3", "eccentric_speed", "455"),
    ],
)
def test_rejects_of_packed_logs_are_corrected_and_loaded(
    history: History, tmp_path: Path, built: str, member: str, row: str, field: str, mended: str
) -> None:
    name, build = BUILT[built]
    (tmp_path / name).write_bytes(build())
    first = load_logs(tmp_path / name, history)
    (reject,) = rejected(history)
    assert reject["file"] == str(tmp_path / member)
    assert (reject["row"], reject["field"]) == (row, field)
    reject[field] = mended
    report = load_logs(write(tmp_path / "mended.csv", [reject]), history)
    assert (report.read, report.added + report.already_known) == (1, 1), report.rejects
    assert rejected(history) == []
    assert load_logs(tmp_path / name, history).added == 0
    assert first.rejected == 1


def test_the_order_of_columns_does_not_make_another_reject(history: History) -> None:
    row = "deck-1,2025-03-01,2,2.5,1.5,450,,0.97,0.9"
    load_bytes(f"{HEAD}\n{row}\n".encode(), history, file="a.csv")
    other = ",".join(reversed(HEAD.split(",")))
    moved = ",".join(reversed(row.split(",")))
    load_bytes(f"{other},weather\n{moved},\n".encode(), history, file="a.csv")
    assert len(rejected(history)) == 1
    load_bytes(f"{other},weather\n{moved},dry\n".encode(), history, file="a.csv")
    assert len(rejected(history)) == 2


def test_equal_rejects_are_corrected_one_by_one(history: History, tmp_path: Path) -> None:
    bad = "deck-1,2025-03-01,2,2.5,1.5,450,,0.97,0.9"
    load_bytes(f"{HEAD},note\n{bad},a\n".encode(), history, file="a.csv")
    load_bytes(f"{HEAD},note\n{bad},b\n".encode(), history, file="a.csv")
    rows = rejected(history)
    assert [r["note"] for r in rows] == ["a", "b"]
    load_logs(write(tmp_path / "mended.csv", [{**rows[0], "air": "30"}]), history)
    assert [r["note"] for r in rejected(history)] == ["b"]


def test_many_rejects_are_kept_completely_and_by_columns(history: History) -> None:
    n, bad = 100_000, 71_000
    rng = np.random.default_rng(0)
    table = pa.table(
        {
            "line": ["deck-1"] * n,
            "feed_rate": rng.uniform(0.5, 4, n),
            "end_raise": rng.uniform(0.5, 5, n),
            "side_tilt": rng.uniform(0.5, 4.5, n),
            "eccentric_speed": rng.uniform(300, 600, n),
            "air": np.where(np.arange(n) < bad, rng.uniform(100, 200, n), 30.0),
            "grade": rng.uniform(0.9, 1, n),
            "recovery": rng.uniform(0.5, 1, n),
        }
    )
    lines = 0

    def count(frame: object, event: str, _: object) -> Any:
        nonlocal lines
        lines += event == "line"
        return count

    sys.settrace(count)
    try:
        report = load_table(table, history, file="log.parquet")
    finally:
        sys.settrace(None)
    assert (report.added, report.rejected) == (n - bad, bad)
    kept = pq.read_table(history.rejects_folder / "rejected.parquet")
    assert kept.num_rows == bad == RejectsStore(history.rejects_folder).count()
    assert kept["row"].to_pylist() == list(range(1, bad + 1))
    assert dict(kept["record"][5].as_py())["air"] == str(table["air"][5].as_py())
    assert len(report.rejects) == SHOWN_REJECTS
    # The work is done by columns: a loop over rows would execute at least one line per row.
    assert lines < bad / 2


def test_many_conflicts_name_what_differs(history: History) -> None:
    n = 3000
    rows = [f"r{k},deck-1,,2,2.5,1.5,450,{30 + k % 50},0.{9000 + k % 900},0.9" for k in range(n)]
    load_bytes("\n".join([f"run_id,{HEAD}", *rows]).encode(), history)
    others = [row[:-3] + "0.8" if k % 3 == 0 else row for k, row in enumerate(rows)]
    report = load_bytes("\n".join([f"run_id,{HEAD}", *others]).encode(), history)
    assert (report.already_known, report.rejected) == (n - n // 3, n // 3)
    assert [r["row"] for r in report.rejects] == list(range(2, n + 2, 3))
    assert all("recovery is 0.9 there and 0.8 here" in r["reason"] for r in report.rejects)
    assert {r["field"] for r in report.rejects} == {"recovery"}
    assert {r["value"] for r in report.rejects} == {"0.8"}


def test_thousands_of_logs_in_folders_are_one_load(history: History, tmp_path: Path) -> None:
    row = "deck-1,2025-03-{:02d}T{:02d}:{:02d},2,2.5,1.5,450,38,0.97,0.9\n"
    for k in range(400):
        folder = tmp_path / "logs" / str(k % 7)
        folder.mkdir(parents=True, exist_ok=True)
        text = f"{HEAD}\n" + row.format(1 + k % 28, k // 28, k % 60)
        (folder / f"{k}.csv").write_text(text, encoding="utf-8")
    (tmp_path / "logs" / "up").symlink_to(tmp_path / "logs")
    report = load_logs(tmp_path / "logs", history)
    assert (len(report.files), report.added) == (400, 400)
    assert history.version == 0


def test_rejects_of_decimal_comma_logs_keep_their_marks(history: History, tmp_path: Path) -> None:
    good = "deck-1;2025-03-01;2,1;2,5;1,5;455;38;0,972;0,91"
    lines = [HEAD.replace(",", ";"), good, good.replace(";38;", ";;"), good.replace("455", "1.500")]
    load_bytes("\n".join(lines).encode(), history, file="a.csv")
    first, second = rejected(history)
    assert (first["field"], second["field"]) == ("air", "eccentric_speed")
    report = load_logs(write(tmp_path / "as-it-is.csv", [first, second]), history)
    assert (report.added, report.rejected) == (0, 2)  # 1.500 stays ambiguous in the rejects file
    assert "1.500 or 1500" in report.rejects[1]["reason"]
    point = f"{HEAD},note\ndeck-1,2025-03-01,2.500,2.5,1.5,450,,0.97,0.9,b\n"
    load_bytes(point.encode(), history, file="b.csv")
    rows = [{**row, "air": "31"} for row in rejected(history)]
    report = load_logs(write(tmp_path / "mended.csv", rows), history)
    assert (report.added, report.rejected) == (2, 1)
    kept = history.at().runs().to_pylist()
    assert sorted(run["feed_rate"] for run in kept) == [2.1, 2.1, 2.5]
    assert [row["value"] for row in rejected(history)] == ["1.500"]


# -- logs of a logger that lost power -----------------------------------------------------------

ROWS = [f"A,2025-03-0{k + 1},2.0,2.5,1.5,400,{30 + k},0.97,0.9" for k in range(4)]
GOOD = "\n".join([HEAD, *ROWS]) + "\n"
ZEROS = bytes(100_000)
TORN = {
    "at the end": (GOOD.encode() + ZEROS, [6]),
    "after part of a row": ((GOOD + ROWS[0][:20]).encode() + ZEROS, [6]),
    "in the last cell": ((GOOD + ROWS[0]).encode() + ZEROS + b"\n", [6]),
    "where it went on": (
        f"{HEAD}\n{ROWS[0]}\n".encode() + ZEROS + "\n".join(["", *ROWS[1:]]).encode(),
        [3],
    ),
    "twice": ("\n".join([HEAD, "\0", *ROWS, "A,\0"]).encode(), [2, 7]),
    "returns": (GOOD.replace("\n", "\r\n").encode() + ZEROS + b"\r\n", [6]),
    "semicolons": (GOOD.replace(",", ";").encode() + ZEROS, [6]),
    "UTF-16": (GOOD.encode("utf-16") + ZEROS, [6]),
    "UTF-16 without a mark": (GOOD.encode("utf-16-le") + ZEROS, [6]),
    "packed": (gzip.compress(GOOD.encode() + ZEROS), [6]),
}


@pytest.mark.parametrize("name", TORN)
def test_zeros_cost_no_good_row(history: History, name: str) -> None:
    content, torn = TORN[name]
    report = load_bytes(content, history)
    assert (report.unreadable, [r["row"] for r in report.rejects]) == ((), torn)
    assert all("zero bytes" in r["reason"] for r in report.rejects)
    assert (report.added, history.at().runs()["recovery"].to_pylist()) == (4, [0.9] * 4)


def test_a_block_of_zeros_alone_is_a_row(history: History) -> None:
    many = "\n".join([HEAD, *ROWS * 30_000]) + "\n"  # beyond the first block
    report = load_bytes(many.encode() + bytes(5 << 20), history)
    assert (report.added, report.unreadable) == (4, ())
    assert [r["row"] for r in report.rejects] == [120_002]


def test_a_torn_row_is_rejected_until_it_is_corrected(history: History, tmp_path: Path) -> None:
    load_bytes(f"{HEAD},note\n{ROWS[0]},wet\0\0\n{ROWS[1]},dry\n".encode(), history)
    (reject,) = rejected(history)
    assert reject["note"] == "wet\N{SYMBOL FOR NULL}"
    assert load_logs(write(tmp_path / "a.csv", [reject]), history).rejected == 1
    reject |= {"note": "wet", "row_shape": ""}
    assert load_logs(write(tmp_path / "b.csv", [reject]), history).added == 1
    assert sorted(history.at().runs()["note"].to_pylist()) == ["dry", "wet"]
    assert rejected(history) == []


def test_a_binary_file_is_still_no_log(history: History) -> None:
    for content in (ZEROS, ZEROS + GOOD.encode(), b"SQLite format 3\0\x10\0\x01\n" * 50):
        report = load_bytes(content, history)
        assert (report.added, report.unreadable) == (0, ("upload",))


def test_a_torn_file_of_streams_says_which_row(tmp_path: Path) -> None:
    path = tmp_path / "streams.csv"
    path.write_bytes(b"test_id,stream,mass,assay\nT1,feed,1000,0.93\n" + ZEROS)
    with pytest.raises(InputError, match="row 3: zero bytes"):
        balance_file(path)
