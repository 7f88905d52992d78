"""Builds the binary logs of the corpus; each build of a log gives the same rows."""

from __future__ import annotations

import datetime
import decimal
import gzip
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

FILES = Path(__file__).parent / "files"
EIGHT = datetime.datetime(2025, 3, 1, 8)
HEADINGS = [
    "line", "started_at", "feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air",
    "grade", "recovery",
]  # fmt: skip
ROW = ["deck-1", EIGHT, 2.1, 2.5, 1.5, 455, 38, 0.972, 0.91]


def plain() -> bytes:
    return (FILES / "plain.csv").read_bytes()


def _zip(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _saved(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _book(title: str, rows: list[list[object]]) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    return book


def _parquet(table: pa.Table) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out)
    return out.getvalue()


def workbook() -> bytes:
    """A workbook of two log sheets, the second with other headings, and a sheet without a log."""
    later = [*ROW]
    later[1] = EIGHT + datetime.timedelta(hours=1)
    book = _book("Runs", [HEADINGS, ROW, later])
    notes = book.create_sheet("Notes")
    notes.append(["line", "what to know"])
    march = book.create_sheet("March")
    for row in (["Log of March"], [], HEADINGS, ROW, ["deck-2", *later[1:]]):
        march.append(row)
    return _saved(book)


def workbook_formats() -> bytes:
    """Cells whose number format changes their meaning; formulas with and without a stored value."""
    book = _book("Runs", [["Season 2025"], [], HEADINGS, ROW, ROW, ROW])
    sheet = book.active
    sheet.merge_cells("A1:I1")
    for row in (4, 5, 6):
        sheet.cell(row, 3, 2100).number_format = '#,##0 "kg/h"'
        sheet.cell(row, 8).number_format = "0.00%"
        sheet.cell(row, 9).number_format = "0%"
    sheet.cell(5, 7, "=19*2.5")
    sheet.cell(6, 7, "=19*2")
    packed = _saved(book)
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = "xl/worksheets/sheet1.xml"
    kept = members[name].replace(b"<f>19*2.5</f><v />", b"<f>19*2.5</f><v>47.5</v>")
    kept = kept.replace(b"<f>19*2.5</f><v></v>", b"<f>19*2.5</f><v>47.5</v>")
    assert kept != members[name], "openpyxl now writes formulas in another form"
    return _zip({**members, name: kept})


def workbook_text_numbers() -> bytes:
    """Numbers stored as text with units; one of them is ambiguous."""
    text = [
        "deck-1",
        "2025-03-01 08:00",
        "2,1 t/h",
        "2,5",
        "1.5",
        "455 rpm",
        "38",
        "97,2 %",
        "0,91",
    ]
    return _saved(_book("Runs", [HEADINGS, text, [*text[:2], "1,500 kg/h", *text[3:]]]))


def workbook_without_log() -> bytes:
    book = _book("One", [["nothing", "here"]])
    book.create_sheet("Two").append([1, 2])
    return _saved(book)


def workbook_damaged() -> bytes:
    with zipfile.ZipFile(io.BytesIO(workbook())) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    return _zip({**members, "xl/worksheets/sheet1.xml": members["xl/worksheets/sheet1.xml"][:300]})


def parquet_typed() -> bytes:
    n = 3
    start = datetime.datetime(2025, 3, 1, 10, tzinfo=datetime.timezone(datetime.timedelta(hours=2)))
    starts = [start, start + datetime.timedelta(hours=1), start + datetime.timedelta(hours=2)]
    columns = {
        "line": pa.array(["deck-1"] * n).dictionary_encode(),
        "started_at": pa.array(starts, pa.timestamp("ms", "+02:00")),
        "feed_rate": pa.array([decimal.Decimal("2.10")] * n),
        "end_raise": pa.array([2.5] * n, pa.float32()),
        "side_tilt": pa.array(np.full(n, 1.5, np.float16)),
        "eccentric_speed": pa.array([455, 455, None], pa.uint16()),
        "air": pa.array(["38"] * n, pa.large_string()),
        "extra": pa.array([{"a": 1}] * n),
        "tags": pa.array([["x"]] * n),
        "grade": pa.array([0.972] * n, pa.float64()),
        "recovery": pa.array(["0.91"] * n).dictionary_encode(),
    }
    return _parquet(pa.table(columns))


def zip_of_several() -> bytes:
    """A text log, a log with a fault, Parquet, a workbook, and files that a load must ignore."""
    head, first, *_ = plain().splitlines(keepends=True)
    table = pa_csv.read_csv(io.BytesIO(head + first.replace(b"deck-1", b"deck-3")))
    return _zip(
        {
            "logs/a.csv": plain(),
            "logs/b.tsv": (head + first.replace(b",38,", b",,")).replace(b",", b"\t"),
            "log.parquet": _parquet(table),
            "book.xlsx": _saved(_book("Runs", [HEADINGS, ROW])),
            "readme.md": b"no log",
            "__MACOSX/._a.csv": b"\0\1",
        }
    )


def zip_member_damaged() -> bytes:
    """An archive with a member whose content does not match its stated checksum."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo("a.csv"), plain())
    return out.getvalue().replace(b"0.972", b"0.973", 1)


def sensors_and_laboratory() -> bytes:
    """Settings that sensors read every two minutes, and two results by the time of the sample."""
    settings = ["line,Date,Time,feed_rate,end_raise,side_tilt,eccentric_speed,air"]
    for k in range(30):
        air, speed = (38, 455) if k < 15 else (44, 455)
        settings.append(f"deck-1,2025-03-01,08:{2 * k:02},2.1,2.5,1.5,{speed},{air}")
    results = [
        "line,Sampled at,grade [%],Recovery [%]",
        "deck-1,2025-03-01 08:24,97.2,91",
        "deck-1,2025-03-01 08:52,97.9,88",
        "deck-1,2025-03-01 11:00,96.0,90",
    ]
    files = {"settings.csv": settings, "laboratory.csv": results}
    return _zip({name: "\n".join(lines).encode() for name, lines in files.items()})


BUILT: dict[str, tuple[str, Callable[[], bytes]]] = {
    "utf_16": ("log.csv", lambda: plain().decode().encode("utf-16")),
    "utf_16_without_mark": ("log.csv", lambda: plain().decode().encode("utf-16-be")),
    "utf_32": ("log.csv", lambda: plain().decode().encode("utf-32")),
    "gzip": ("log.csv.gz", lambda: gzip.compress(plain(), mtime=0)),
    "gzip_cut": ("log.csv.gz", lambda: gzip.compress(plain(), mtime=0)[:-20]),
    "zip_of_one": ("log.zip", lambda: _zip({"log.csv": plain()})),
    "zip_of_several": ("logs.zip", zip_of_several),
    "zip_in_zip": ("logs.zip", lambda: _zip({"a.zip": _zip({"log.csv": plain()})})),
    "zip_damaged": ("logs.zip", lambda: _zip({"log.csv": plain()})[:80]),
    "zip_member_damaged": ("logs.zip", zip_member_damaged),
    "sensors_and_laboratory": ("day.zip", sensors_and_laboratory),
    "workbook": ("book.xlsx", workbook),
    "workbook_formats": ("book.xlsx", workbook_formats),
    "workbook_text_numbers": ("book.xlsx", workbook_text_numbers),
    "workbook_without_log": ("book.xlsx", workbook_without_log),
    "workbook_damaged": ("book.xlsx", workbook_damaged),
    "workbook_old": ("book.xls", lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)),
    "parquet": ("log.parquet", lambda: _parquet(pa_csv.read_csv(io.BytesIO(plain())))),
    "parquet_typed": ("log.parquet", parquet_typed),
    "parquet_cut": (
        "log.parquet",
        lambda: _parquet(pa_csv.read_csv(io.BytesIO(plain())))[:-30],
    ),
}
"""File name and content of each, by name."""
