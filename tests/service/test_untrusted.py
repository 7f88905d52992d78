"""Files of strangers are read within limits first; what is refused says why, and others go on."""

from __future__ import annotations

import asyncio
import gzip
import io
import zipfile
from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimizer import History
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording import reading_process, untrusted
from optimizer.service.recording.reading_process import refusal
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
    monkeypatch.setattr(reading_process, "MOST_ROWS", 3000)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: many_lines(3001), "more than 3,000 rows"),
        (lambda: gzip.compress(many_lines(3001)), "more than 3,000 rows"),
        (lambda: packed(many_lines(3001)), "more than 3,000 rows"),
        (lambda: wide(2001), "more than 2,000 columns"),
    ],
)
def test_too_much_is_refused_with_the_reason(few_rows, make, said):
    found = refusal((make(), "deck.csv", False))
    assert (found["status"], found["code"]) == (413, "too-large")
    assert said in found["message"]
    assert found["hint"]


@pytest.mark.parametrize(
    "content",
    [many_lines(3000), gzip.compress(many_lines(3000)), packed(many_lines(3000)), wide(1900),
     b"\x1f\x8b damaged", b"PK\x03\x04 damaged", b"PAR1 damaged", b"", b"\xff\x00\x01"],
)  # fmt: skip
def test_what_is_within_limits_or_merely_wrong_is_told_where_it_is_loaded(few_rows, content):
    assert refusal((content, "deck.csv", False)) is None


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


def test_a_file_that_takes_all_memory_or_time_is_refused_and_the_next_is_read(monkeypatch):
    monkeypatch.setattr(reading_process, "serve", serve_greedy)
    reader = Untrusted()

    async def run() -> None:
        for name in ("memory", "time", "fault"):
            with pytest.raises(Problem, match="to be read") as refused:
                await reader.check(b"x", name)
            assert (refused.value.status, refused.value.code) == (413, "too-large")
            await reader.check(many_lines(10), "deck.csv")

    try:
        asyncio.run(run())
    finally:
        reader.end()


def test_files_wait_in_a_short_queue(monkeypatch):
    monkeypatch.setattr(untrusted, "MOST_WAITING", 2)
    reader = Untrusted(apart=False)

    async def run() -> None:
        async with reader._turn:
            two = [asyncio.create_task(reader.check(b"x", "deck.csv")) for _ in range(2)]
            await asyncio.sleep(0)
            with pytest.raises(Problem, match="2 files") as refused:
                await reader.check(b"x", "deck.csv")
            assert (refused.value.status, refused.value.code) == (429, "too-many-files")
        await asyncio.gather(*two)
        await reader.check(b"x", "deck.csv")

    asyncio.run(run())


def test_one_person_leaves_room_for_the_files_of_others(monkeypatch):
    monkeypatch.setattr(untrusted, "MOST_OF_ONE", 1)
    reader = Untrusted(apart=False)

    async def run() -> None:
        async with reader._turn:
            waiting = [asyncio.create_task(reader.check(b"x", "deck.csv", "ann"))]
            await asyncio.sleep(0)
            with pytest.raises(Problem, match="1 files of yours") as refused:
                await reader.check(b"x", "deck.csv", "ann")
            assert (refused.value.status, refused.value.code) == (429, "too-many-files")
            waiting += [
                asyncio.create_task(reader.check(b"x", "deck.csv", who))
                for who in ("bob", None, None)
            ]
            await asyncio.sleep(0)
        await asyncio.gather(*waiting)
        await reader.check(b"x", "deck.csv", "ann")

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
