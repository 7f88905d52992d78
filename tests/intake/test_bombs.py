"""Small files that expand a lot, and long texts: refused or rejected with bounded memory."""

from __future__ import annotations

import gzip
import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from optimizer import Brief, History, InputError, Site, load_logs
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_table
from optimizer.operations.balancing.stream_log import balance_file
from optimizer.operations.recording import record
from tests.intake.test_workbook import season, workbook
from tests.service.test_page import forms
from tests.service.test_service import client_of, options, problem

__all__ = ["options"]  # a fixture

RUN = {
    "line": "A", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 1.5, "eccentric_speed": 400.0,
    "air": 30.0, "grade": 0.97, "recovery": 0.9,
}  # fmt: skip
LONGEST = 2000
TOO_LONG = "note is longer than 2,000 characters: shorten it"


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


def equal_rows(n: int, **more: object) -> pa.Table:
    """A table of ``n`` equal rows; each text column stores one text that all rows share."""

    def column(value: object) -> pa.Array:
        if isinstance(value, str):
            return pa.DictionaryArray.from_arrays(np.zeros(n, np.int32), pa.array([value]))
        return pa.repeat(pa.scalar(value), n)

    return pa.table({name: column(value) for name, value in {**RUN, **more}.items()})


def parquet(table: pa.Table, **how: object) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd", store_schema=False, **how)
    return out.getvalue()


# -- Parquet ---------------------------------------------------------------------------------

# Loads a file and prints its peak memory in bytes. ru_maxrss would not do: at exec Linux keeps in
# it the memory of the process that forked, here a worker of the tests, which may hold more.
MEASURED = """
import json, sys
from optimizer import History, load_logs
report = load_logs([sys.argv[1]], History(sys.argv[2])).as_dict()
with open("/proc/self/status") as status:
    peak = next(line for line in status if line.startswith("VmHWM:"))
report["held"] = int(peak.split()[1]) * 1024
report["rejects"] = report["rejects"][:3]
print(json.dumps(report))
"""


def test_a_long_text_that_all_rows_share_is_rejected_row_by_row_in_bounded_memory(tmp_path):
    content = parquet(equal_rows(20_000, note="x" * 100_000))
    assert len(content) < 2500
    (tmp_path / "bomb.parquet").write_bytes(content)
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, tmp_path / "bomb.parquet", tmp_path / "history"],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    report = json.loads(done.stdout)
    assert (report["read"], report["rejected"]) == (20_000, 20_000)
    assert report["rejects"][2]["row"] == 3
    assert report["rejects"][2]["reason"] == TOO_LONG
    # Measured: 0.6 GB; it was 6.0 GB when each row had a separate copy of the text.
    assert report["held"] < 1.5e9


def refused(history: History, content: bytes, said: str) -> None:
    report = load_bytes(content, history, file="bomb.parquet")
    assert (report.read, report.unreadable) == (0, ("bomb.parquet",))
    assert said in (report.files[0].error or "")


def test_too_many_rows_are_refused_before_any_is_decoded(history):
    content = parquet(pa.table({"note": pa.nulls(20_000_001, pa.string())}))
    assert len(content) < 50_000
    refused(history, content, "20,000,001 rows: at most 20,000,000 can be read from one Parquet f")


def test_too_many_bytes_are_refused_before_rows_are_made_of_them(history):
    """1.2 million rows of one note are 2.4 GB and twice that is too much; both files are small."""
    content = parquet(equal_rows(2_400_000, note="x" * 1900))
    assert len(content) < 2_000_000
    refused(history, content, "more than 4,096 MiB: no more can be read from one Parquet file.")


def test_an_endless_text_is_refused(history):
    refused(
        history,
        parquet(equal_rows(1, note="x" * (65 << 20))),
        "65 MiB in the texts of column 'note', far more than 2,000 characters a row",
    )


def test_too_many_columns_and_columns_of_one_name_are_refused(history):
    many = {f"c{k}": pa.array([1.0]) for k in range(2001)}
    refused(history, parquet(pa.table(many)), "2,001 columns: at most 2,000 can be read")
    twice = pa.table([pa.array([1.0])] * 2, names=["air", "air"])
    refused(history, parquet(twice), "two columns are named 'air'")


def test_nested_columns_are_not_decoded(history):
    table = equal_rows(2).append_column("nest", pa.array([[1.5] * 1000, [2.5]]))
    content = bytearray(parquet(table, use_dictionary=False))
    column = pq.ParquetFile(io.BytesIO(content)).metadata.row_group(0).column(8)
    start = column.data_page_offset
    content[start : start + column.total_compressed_size] = bytes(column.total_compressed_size)
    report = load_bytes(bytes(content), history, file="log.parquet")
    assert (report.read, report.added) == (2, 1)
    assert "nested columns not read: 'nest'" in report.warnings[0]


WAYS = {
    "one of each": {"use_dictionary": True},
    "plain": {"use_dictionary": False},
    "by what differs": {"use_dictionary": False, "column_encoding": {"note": "DELTA_BYTE_ARRAY"}},
    "many groups": {"row_group_size": 7},
}


@pytest.mark.parametrize("way", WAYS)
def test_texts_are_read_equally_from_every_encoding(history, monkeypatch, way):
    monkeypatch.setattr("optimizer.intake.formats.parquet.STEP_BYTES", 1 << 20)
    monkeypatch.setattr("optimizer.intake.formats.parquet.PIECE_BYTES", 1 << 16)
    notes = [None if k % 5 == 0 else f"{k} " + "ab " * (k % 50) for k in range(200)]
    notes[17], notes[170] = "é" * 2001, "x" * 50_000
    table = pa.table({**{k: [v] * 200 for k, v in RUN.items()}, "note": notes})
    table = table.append_column("run_id", pa.array([f"r{k}" for k in range(200)]))
    table = table.append_column("blob", pa.array([b"\xff"] * 200))
    report = load_bytes(parquet(table, **WAYS[way]), history, file="log.parquet")
    assert (report.added, report.rejected) == (198, 2)
    assert [reject["row"] for reject in report.rejects] == [18, 171]
    runs = history.at().runs()
    assert runs["source_row"].to_pylist() == [
        int(run[1:]) + 1 for run in runs["run_id"].to_pylist()
    ]
    stored = dict(zip(runs["run_id"].to_pylist(), runs["note"].to_pylist(), strict=True))
    assert stored == {
        f"r{k}": note and note.strip() for k, note in enumerate(notes) if k not in (17, 170)
    }


def test_the_service_has_a_lower_limit_for_a_body(options):
    kind = {"Content-Type": "application/vnd.apache.parquet"}
    rows = parquet(pa.table({"note": pa.nulls(500_001, pa.string())}))
    size = parquet(equal_rows(400_000, note="x" * 1900))
    with client_of(options) as client:
        for content, said in ((rows, "at most 500,000"), (size, "more than 512 MiB")):
            found = problem(
                client.post("/v1/runs", content=content, headers=kind), 413, "too-large"
            )
            assert said in found["detail"]


# -- packed files and workbooks --------------------------------------------------------------


def csv_of(*rows: dict) -> bytes:
    out = io.BytesIO()
    pa_csv.write_csv(pa.Table.from_pylist(list(rows)), out)
    return out.getvalue()


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


def test_text_that_unpacks_to_too_much_is_refused(history, monkeypatch):
    monkeypatch.setattr("optimizer.intake.formats.unpacked.MOST_TEXT", 1 << 20)
    monkeypatch.setattr("optimizer.intake.formats.logs.MOST_TEXT", 1 << 20)
    log = csv_of(*({**RUN, "air": 30 + k % 50} for k in range(40_000)))
    assert len(log) > 1 << 20
    for content in (gzip.compress(log), zipped(log=log)):
        assert len(content) < 20_000
        report = load_bytes(content, history, file="bomb")
        assert report.added == 0
        assert "unpacks to more than 1 MiB. Unpack it" in (report.files[0].error or "")
    assert load_bytes(log, history, file="log.csv").read == 40_000  # not packed: allowed


def test_the_files_of_an_archive_are_counted_together(history, monkeypatch):
    log = csv_of(*[RUN] * 3000)
    content = zipped(**{f"{k}.csv": log for k in range(10)})
    assert load_bytes(content, history, file="logs.zip").read == 30_000
    monkeypatch.setattr("optimizer.intake.formats.logs.MOST_TOGETHER", 9 * len(log))
    report = load_bytes(content, history, file="logs.zip")
    assert (report.read, report.unreadable) == (0, ("logs.zip",))


def test_text_with_a_false_unpacked_size_is_refused_during_unpacking(history, monkeypatch):
    """The end of a gzip file states the size of its last member only."""
    monkeypatch.setattr("optimizer.intake.formats.unpacked.MOST_TEXT", 1 << 20)
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", 1 << 18)
    parts = csv_of(*[RUN] * 60_000), csv_of(RUN)
    report = load_bytes(b"".join(map(gzip.compress, parts)), history, file="bomb.csv.gz")
    assert "unpacks to more than 1 MiB" in (report.files[0].error or "")
    assert f"The {report.read} rows before that were read" in (report.files[0].error or "")
    assert 0 < report.read < 60_000


def refused_book(history: History, content: bytes, said: str) -> None:
    report = load_bytes(content, history, file="book.xlsx", options=LoadOptions(line="A"))
    assert report.added == 0
    assert said in (report.files[0].error or ""), report.files


def test_a_workbook_that_unpacks_to_too_much_is_refused(history, monkeypatch):
    content = workbook({"log": season(3000, set())})
    assert (
        load_bytes(content, history, file="book.xlsx", options=LoadOptions(line="A")).added == 3000
    )
    monkeypatch.setattr("optimizer.intake.formats.unpacked.MOST_BOOK", 1 << 18)
    report = load_bytes(content, history, file="book.xlsx", options=LoadOptions(line="A"))
    assert "unpacks to more than 0 MiB. Save the log as CSV" in (report.files[0].error or "")


def test_an_endless_row_is_refused(history):
    content = workbook({"log": season(3, set()) + f"<row>{'<c/>' * 210_000}</row>"})
    assert len(content) < 20_000
    refused_book(history, content, "has a row, or formats, without end")


def test_cells_far_to_the_right_are_counted_with_the_empty_ones_before_them(history, monkeypatch):
    monkeypatch.setattr("optimizer.intake.formats.unpacked.MOST_CELLS", 1_000_000)
    far = "".join(f'<row><c r="XFD{k}"><v>1</v></c></row>' for k in range(5, 100))
    content = workbook({"log": season(3, set()) + far})
    report = load_bytes(content, history, file="book.xlsx", options=LoadOptions(line="A"))
    assert "has more than 1,000,000 cells. Save the log as CSV" in (report.files[0].error or "")


# -- texts and what is kept of rejected rows -------------------------------------------------

FIT = "é" * LONGEST
ROWS = [
    {**RUN, "run_id": "fit", "note": FIT},
    {**RUN, "run_id": "blank", "note": " " * 3000 + "short"},
    {**RUN, "run_id": "long", "note": FIT + "x"},
    {**RUN, "run_id": "longer", "note": "x" * 30_000},
]


def workbook_of(*rows: dict) -> bytes:
    book = openpyxl.Workbook()
    for row in (list(rows[0]), *(list(row.values()) for row in rows)):
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def check_texts(report: dict) -> None:
    assert (report["added"], report["rejected"]) == (2, 2)
    for reject in report["rejects"]:
        assert (reject["field"], reject["reason"]) == ("note", TOO_LONG)
        assert len(reject["value"]) <= 101  # the length of the excerpt


DOORS = {
    "text": lambda history: load_bytes(csv_of(*ROWS), history, file="log.csv"),
    "workbook": lambda history: load_bytes(workbook_of(*ROWS), history, file="log.xlsx"),
    "Parquet": lambda history: load_bytes(
        parquet(pa.Table.from_pylist(ROWS)), history, file="log.parquet"
    ),
    "rows": lambda history: load_table(ROWS, history),
    "record": lambda history: record(history, Site(), ROWS, Brief()).load,
}


@pytest.mark.parametrize("door", DOORS)
def test_a_text_has_up_to_2000_characters(history, door):
    check_texts(DOORS[door](history).as_dict())
    stored = dict(
        zip(*(history.at().runs()[name].to_pylist() for name in ("run_id", "note")), strict=True)
    )
    assert stored == {"fit": FIT, "blank": "short"}


@pytest.mark.parametrize("kind", ["application/json", "text/csv", "application/vnd.apache.parquet"])
def test_a_text_sent_to_the_service_has_up_to_2000_characters(options, kind):
    made = {
        "application/json": json.dumps(ROWS).encode(),
        "text/csv": csv_of(*ROWS),
        "application/vnd.apache.parquet": parquet(pa.Table.from_pylist(ROWS)),
    }
    with client_of(options) as client:
        check_texts(
            client.post("/v1/runs", content=made[kind], headers={"Content-Type": kind}).json()
        )


def test_a_note_on_the_page_is_refused_not_cut(options):
    with client_of(options, Accept="text/html") as client:
        runs = [{**RUN, "run_id": f"r{k}", "line": "deck-1", "air": 30 + 3 * k} for k in range(6)]
        assert client.post("/v1/runs", json=runs).json()["added"] == len(runs)
        form = forms(client.get("/?line=deck-1&trials=1").text)[0]
        sent = {**form, "grade": "98.7", "recovery": "93", "deck_state": "even", "note": FIT}
        assert client.post("/record", data=sent, follow_redirects=False).status_code == 303
        again = client.post("/record", data={**sent, "nonce": "0f", "note": FIT + "x"})
        assert again.status_code == 422
        assert "Note: expected 1 to 2000 characters." in again.text
    assert FIT in History(options.history).at().runs()["note"].to_pylist()


@pytest.mark.parametrize("field", ["run_id", "material"])
def test_ids_and_materials_have_a_length_limit(history, field):
    (reject,) = load_table([{**RUN, field: "x" * 2001}], history).rejects
    assert reject["reason"] == f"{field} is longer than 2,000 characters: shorten it"


def test_a_long_text_stays_rejected_until_it_is_shortened(history, tmp_path):
    load_table(ROWS[3:], history)
    kept = history.rejects_folder / "rejected.csv"
    for _ in range(2):
        report = load_logs([kept], history)
        assert (report.added, report.rejected) == (0, 1)
    text = kept.read_text(encoding="utf-8-sig")
    assert len(text) < 5000  # an excerpt of 30,000 characters
    assert "… (30000 characters)" in text
    mended = text.replace("x" * 2000 + "… (30000 characters)", "short")
    kept.write_text(mended, encoding="utf-8")
    assert load_logs([kept], history).added == 1
    assert history.at().runs()["note"].to_pylist() == ["short"]


def test_a_reason_quotes_the_beginning_of_a_long_cell(history):
    (reject,) = load_bytes(csv_of({**RUN, "air": "9x" * 5000}), history, file="log.csv").rejects
    assert len(reject["reason"]) < 350
    assert reject["reason"].startswith("air '9x9x")
    assert "9x9x…'" in reject["reason"]


def test_a_heading_has_a_length_limit(history):
    report = load_bytes(csv_of({**RUN, "h" * 501: 1}), history, file="log.csv")
    assert "a heading has 501 characters, and at most 500 are read" in (report.files[0].error or "")
    assert load_bytes(csv_of({**RUN, "h" * 500: 1}), history, file="log.csv").added == 1


def test_rejected_rows_are_kept_up_to_a_size_limit_that_is_reported(history, monkeypatch):
    monkeypatch.setattr("optimizer.intake.settling.loading.MOST_REJECTED", 1 << 20)
    monkeypatch.setattr("optimizer.intake.formats.parquet.BATCH_ROWS", 1000)
    content = parquet(equal_rows(10_000, deck_state="odd"))
    report = load_bytes(content, history, file="log.parquet")
    assert 0 < report.rejected < 10_000
    assert report.read == report.rejected
    error = report.files[0].error or ""
    assert "the faulty rows have more than 1 MiB, and no more are kept" in error
    assert f"The {report.read} rows before that were read" in error


def test_a_stream_file_has_the_same_limits(tmp_path, monkeypatch):
    head = "test_id,stream,mass,assay,note\n"
    good, bad = (
        f"{t},product,900,0.98,{n}\n{t},reject,100,0.4,\n"
        for t, n in (("T1", FIT), ("T2", FIT + "x"))
    )
    (tmp_path / "streams.csv").write_text(head + good + bad, encoding="utf-8")
    found = balance_file(tmp_path / "streams.csv")
    assert [row["run_id"] for row in found.rows()] == ["T1"]
    assert found.results[1].warnings[0].endswith(f"streams.csv row 4, {TOO_LONG}")
    monkeypatch.setattr("optimizer.intake.formats.files.MOST_ROWS", 3)
    with pytest.raises(InputError, match="has more than 3 rows"):
        balance_file(tmp_path / "streams.csv")
