"""Files of strangers are read within limits first; what is refused says why, and others go on."""

from __future__ import annotations

import asyncio
import gzip
import io
import json
import re
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimizer import History, Site
from optimizer.intake.settling.load import load_bytes, load_file
from optimizer.intake.settling.log_files import parsed_file
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording import reading_process, untrusted
from optimizer.service.recording.reading_process import Work, parse
from optimizer.service.recording.recorder import SMALL
from optimizer.service.recording.untrusted import Untrusted
from tests.benchmarks.hostile import parquet_bomb
from tests.service.greedy_reader import serve_greedy
from tests.service.test_service import client_of, options, problem, row

__all__ = ["options"]  # fixture

HEADINGS = ",".join(row(1))
LINE = ",".join(str(value) for value in row(1).values())
CSV = {"Content-Type": "text/csv"}
PARQUET = {"Content-Type": "application/vnd.apache.parquet"}


def parquet(rows: int) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.Table.from_pylist([row(1)] * rows), out)
    return out.getvalue()


def packed(content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("deck.csv", content)
    return out.getvalue()


def many_lines(rows: int) -> bytes:
    return f"{HEADINGS}\n".encode() + f"{LINE}\n".encode() * rows


def wide(columns: int) -> bytes:
    names = ",".join(f"c{k}" for k in range(columns))
    return f"{HEADINGS},{names}\n{LINE}{',1' * columns}\n".encode()


@pytest.fixture
def few_rows(monkeypatch):
    monkeypatch.setattr(reading_process, "MOST", replace(reading_process.MOST, rows=3000))


def told(content: bytes, folder, **how):
    """Why a file is refused; None where it is not."""
    folder.mkdir(exist_ok=True)
    return parse(Work(content, "deck.csv", str(folder), **how))


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: many_lines(3001), "more than 3,000 rows"),
        (lambda: gzip.compress(many_lines(3001)), "more than 3,000 rows"),
        (lambda: packed(many_lines(3001)), "more than 3,000 rows"),
        (lambda: wide(2001), "more than 2,000 columns"),
    ],
)
def test_too_much_is_refused_with_the_reason(few_rows, make, said, tmp_path):
    found = told(make(), tmp_path / "into")
    assert (found["status"], found["code"]) == (413, "too-large")
    assert said in found["message"]
    assert found["hint"]


@pytest.mark.parametrize(
    "content",
    [many_lines(3000), gzip.compress(many_lines(3000)), packed(many_lines(3000)), wide(1900),
     b"\x1f\x8b damaged", b"PK\x03\x04 damaged", b"PAR1 damaged", b"", b"\xff\x00\x01"],
)  # fmt: skip
def test_what_is_within_limits_or_merely_wrong_is_told_where_it_is_loaded(
    few_rows, content, tmp_path
):
    assert told(content, tmp_path / "into") is None
    whole, apart = (History(tmp_path / name) for name in ("whole", "apart"))
    report = load_bytes(content, whole, file="deck.csv")
    handed = load_file(parsed_file("deck.csv", tmp_path / "into"), apart)
    assert replace(handed, rejects_file=None) == replace(report, rejects_file=None)


def test_a_fault_of_a_reader_is_told_and_nothing_else_reads_the_file(monkeypatch, tmp_path):
    def faulty(*_):
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr(reading_process, "logs_in", faulty)
    assert told(many_lines(2), tmp_path / "into")["code"] == "unreadable"


PARSERS = (
    "optimizer.intake.formats.delimited.pa_csv.read_csv",
    "optimizer.intake.formats.parquet.File",
    "optimizer.intake.formats.workbook.load_workbook",
    "optimizer.intake.formats.logs.zipfile.ZipFile",
    "optimizer.intake.formats.logs.gzip.GzipFile",
    "optimizer.service.recording.recorder.read_rows",
)
"""What parses files, wherever it is called from."""


def workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active.append(list(row(1)))
    book.active.append(list(row(1).values()))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


FILES = {
    "text": many_lines(2000), "gzip": gzip.compress(many_lines(3)), "Parquet": parquet(3),
    "workbook": workbook(), "archive": packed(many_lines(3)),
}  # fmt: skip


def nothing_parses_here(monkeypatch) -> None:
    """Let everything that parses files fail in this process, but not in the reading process."""

    def refused(*_, **__):
        raise AssertionError("a file was parsed outside the reading process")

    for name in PARSERS:
        monkeypatch.setattr(name, refused)


@pytest.mark.parametrize("kind", FILES)
def test_an_upload_is_parsed_in_the_reading_process_alone(options, monkeypatch, kind):
    nothing_parses_here(monkeypatch)
    with client_of(replace(options, planners=1)) as client:
        client.headers["Accept"] = "text/html"
        page = client.get("/upload").text
        token = page.partition('name="form_token" value="')[2].partition('"')[0]
        form = {"form_token": token}
        shown = client.post("/upload", data=form, files={"file": ("deck", FILES[kind])})
        assert shown.status_code == 200, shown.text
        token = shown.text.partition('name="form_token" value="')[2].partition('"')[0]
        load = f"{shown.url.path}/load"
        loaded = client.post(load, data={**dict(hidden(shown.text)), "form_token": token})
        assert loaded.status_code == 200, loaded.text
    monkeypatch.undo()
    assert History(options.history).at().runs().num_rows == 1
    assert not list((Path(options.history + "-service") / "parsed").iterdir())


@pytest.mark.parametrize("kind", ["text", "Parquet", "rows"])
def test_a_large_body_is_parsed_in_the_reading_process_alone(options, monkeypatch, kind):
    nothing_parses_here(monkeypatch)
    rows = json.dumps([row(1)] * 600).encode()
    assert len(rows) > SMALL
    media_type = {"text": CSV, "Parquet": PARQUET, "rows": {"Content-Type": "application/json"}}
    body = {**FILES, "rows": rows}[kind]
    with client_of(replace(options, planners=1)) as client:
        answer = client.post("/v1/runs", content=body, headers=media_type[kind])
        assert answer.json()["added"] == 1, answer.text
        if kind == "rows":
            answer = client.post("/v1/runs", content=rows[:-1], headers=media_type[kind])
            problem(answer, 400, "not-json")
    monkeypatch.undo()
    assert History(options.history).at().runs().num_rows == 1


def hidden(page: str) -> list[tuple[str, str]]:
    """The hidden fields of a page."""
    return re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', page)


def test_a_folder_that_a_killed_process_left_is_removed(tmp_path, monkeypatch):
    reader = Untrusted(tmp_path, apart=False)
    (tmp_path / "left").mkdir()

    async def run() -> None:
        async with reader.parsed(many_lines(1), "deck.csv", Site()):
            assert (tmp_path / "left").exists()
        monkeypatch.setattr(untrusted, "LEFT_SECONDS", -1.0)
        async with reader.parsed(many_lines(1), "deck.csv", Site()):
            assert not (tmp_path / "left").exists()

    asyncio.run(run())
    assert not list(tmp_path.iterdir())


def test_a_parquet_bomb_is_refused_and_nothing_is_stored(options):
    bomb = parquet_bomb(600_000, 1)
    assert len(bomb) < 1 << 20
    texts = parquet_bomb(200_000, 100_000)
    assert len(texts) < 1 << 20
    with client_of(replace(options, planners=1)) as client:
        for content in (bomb, texts):
            answer = client.post("/v1/runs", content=content, headers=PARQUET)
            assert "once it is decoded" in problem(answer, 413, "too-large")["detail"]
        answer = client.post("/v1/runs", content=b"PAR1" + b"x" * 100, headers=PARQUET)
        problem(answer, 422, "not-parquet")
        assert client.post("/v1/runs", content=parquet(2), headers=PARQUET).json()["added"] == 1
        text = many_lines(2000)
        assert client.post("/v1/runs", content=text, headers=CSV).json()["read"] == 2000
    assert History(options.history).at().runs().num_rows == 1


async def read(reader: Untrusted, content: bytes, name: str = "deck.csv", who=None) -> None:
    async with reader.parsed(content, name, Site(), who=who):
        pass


def test_a_file_that_takes_all_memory_or_time_is_refused_and_the_next_is_read(
    monkeypatch, tmp_path
):
    monkeypatch.setattr(reading_process, "serve", serve_greedy)
    reader = Untrusted(tmp_path)

    async def run() -> None:
        for name in ("memory", "time", "fault"):
            with pytest.raises(Problem, match="to be read") as refused:
                await read(reader, b"x", name)
            assert (refused.value.status, refused.value.code) == (413, "too-large")
            await read(reader, many_lines(10))

    try:
        asyncio.run(run())
    finally:
        reader.end()


async def waiting_at(reader: Untrusted, files: int) -> None:
    """Wait until so many files wait."""
    while reader._waiting.total() < files:
        await asyncio.sleep(0.01)


def test_files_wait_in_a_short_queue(monkeypatch, tmp_path):
    monkeypatch.setattr(untrusted, "MOST_WAITING", 2)
    reader = Untrusted(tmp_path, apart=False)

    async def run() -> None:
        async with reader._turn:
            two = [asyncio.create_task(read(reader, b"x")) for _ in range(2)]
            await waiting_at(reader, 2)
            with pytest.raises(Problem, match="2 files") as refused:
                await read(reader, b"x")
            assert (refused.value.status, refused.value.code) == (429, "too-many-files")
        await asyncio.gather(*two)
        await read(reader, b"x")

    asyncio.run(run())


def test_one_person_leaves_room_for_the_files_of_others(monkeypatch, tmp_path):
    monkeypatch.setattr(untrusted, "MOST_OF_ONE", 1)
    reader = Untrusted(tmp_path, apart=False)

    async def run() -> None:
        async with reader._turn:
            waiting = [asyncio.create_task(read(reader, b"x", who="ann"))]
            await waiting_at(reader, 1)
            with pytest.raises(Problem, match="1 files of yours") as refused:
                await read(reader, b"x", who="ann")
            assert (refused.value.status, refused.value.code) == (429, "too-many-files")
            waiting += [
                asyncio.create_task(read(reader, b"x", who=who)) for who in ("bob", None, None)
            ]
            await waiting_at(reader, 4)
        await asyncio.gather(*waiting)
        await read(reader, b"x", who="ann")

    asyncio.run(run())


def test_an_upload_that_is_too_large_says_why(options, few_rows):
    with client_of(options) as client:
        client.headers["Accept"] = "text/html"
        page = client.get("/upload").text
        token = page.partition('name="form_token" value="')[2].partition('"')[0]
        file = {"file": ("deck.csv", many_lines(3001))}
        shown = client.post("/upload", data={"form_token": token}, files=file)
        assert shown.status_code == 413
        assert "more than 3,000 rows" in shown.text
