"""Three hundred malformed or malicious requests, each to be refused with a 4xx problem document."""

# ruff: noqa: E501 - tables of requests
from __future__ import annotations

import gzip
import io
import json
import zipfile

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

JSON = {"Content-Type": "application/json"}
CSV = {"Content-Type": "text/csv"}
PARQUET = {"Content-Type": "application/vnd.apache.parquet"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
ROW = {
    "line": "deck-1", "feed_rate": 2.0, "end_raise": 2.4, "side_tilt": 2.0,
    "eccentric_speed": 450, "air": 37, "grade": 0.98, "recovery": 0.93,
}  # fmt: skip


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../etc/passwd.csv", "a" * 100_000)
    return out.getvalue()


def _requests():
    runs = "/v1/runs"
    # Bodies that do not match their content type.
    bodies = [
        b"", b" ", b"{", b"[", b"null", b"1", b'"x"', b"{}", b"[]", b"[[]]", b"[1]", b"[null]",
        b"[{}]", b"\xff\xfe\x00", b"\x00" * 50, b"[" * 100_000, b'{"a":' * 50_000,
        b'[{"grade": NaN}]', b'[{"grade": Infinity}]', b'[{"a": 1, "a": 2}]',
        b'[{"grade": ' + b"9" * 5000 + b"}]", b'[{"line": {"$gt": ""}}]',
        b'[{"line": ["deck-1"]}]', b'[{"line": "\\ud800"}]', b'[{"line": "a\\u0000b"}]',
        b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY x SYSTEM 'file:///etc/passwd'>]><a>&x;</a>",
        json.dumps([{f"c{k}": 1 for k in range(600)}]).encode(),
    ]  # fmt: skip
    for k, body in enumerate(bodies):
        yield f"rows {k}", "POST", runs, JSON, body
    # Rows with impossible values.
    values = {
        "grade": [-1, 97, 1e308, "=1+1", "<script>", "0,98,7", True],
        "recovery": [2, -0.1, "'; DROP TABLE runs;--"],
        "feed_rate": [-5, 1e9, "../../etc/passwd", "=HYPERLINK(\"http://x\")"],
        "air": ["9" * 400, -1], "started_at": ["yesterday", "9999-99-99", "-1"],
        "deck_state": ["on fire", "${jndi:ldap://x}"],
    }  # fmt: skip
    for field, each in values.items():
        for value in each:
            yield f"{field} {value!r:.20}", "POST", runs, JSON, json.dumps([{**ROW, field: value}])
    # Uploaded files.
    yield "gzip as text", "POST", runs, CSV, gzip.compress(b"a" * 10_000_000)
    yield "zip as text", "POST", runs, CSV, _zip()
    yield "text as parquet", "POST", runs, PARQUET, b"PAR1" + b"x" * 100
    yield "cut parquet", "POST", runs, PARQUET, b"PAR1"
    yield "empty parquet", "POST", runs, PARQUET, b""
    yield "binary as text", "POST", runs, CSV, bytes(range(256)) * 20
    yield "headings alone", "POST", runs, CSV, ",".join(ROW).encode() + b"\nx"
    yield "no kind", "POST", runs, {"Content-Type": ""}, b"[]"
    for kind in ("text/html", "application/xml", "multipart/form-data", "image/png"):
        yield f"kind {kind}", "POST", runs, {"Content-Type": kind}, b"x"
    yield "stated too large", "POST", runs, {**CSV, "Content-Length": str(10**12)}, None
    yield "long line name", "POST", f"{runs}?line={'x' * 500}", JSON, json.dumps([ROW])
    yield "empty line name", "POST", f"{runs}?line=", JSON, json.dumps([ROW])
    yield "dry_run=2", "POST", f"{runs}?dry_run=2", JSON, json.dumps([ROW])
    # Briefs.
    briefs = [
        b"[]", b"1", b"{", b'{"lin": "x"}', b'{"line": 1}', b'{"goal": {"min_grade": 98}}',
        b'{"goal": {"min_grade": -1}}', b'{"goal": {"min_grade": NaN}}',
        b'{"trials": {"count": 0}}', b'{"trials": {"count": 1000000000}}',
        b'{"trials": {"count": "x"}}', b'{"limits": {"air": {"low": 1e308}}}',
        b'{"limits": {"nothing": {"low": 1}}}', b'{"material": {"moisture": "=cmd()"}}',
        b'{"pending": [{"air": 1}]}', b'{"couplings": [{"terms": {}}]}',
        b'{"goal": {"maximise": "__import__"}}', b'{"current": {"air": "1"}}'.replace(b'"1"', b"[]"),
        b'{"material": {"../../x": 1}}',
    ]  # fmt: skip
    for k, body in enumerate(briefs):
        yield f"brief {k}", "POST", "/v1/plans", JSON, body
    for query in ("seed=-1", "seed=99999999999999999999", "seed=x", "as_of=-1", "as_of=999999"):
        yield query, "POST", f"/v1/plans?{query}", JSON, b"{}"
    yield "brief as text", "POST", "/v1/plans", CSV, b"{}"
    # Paths, methods and names.
    for path in ("/../../etc/passwd", "/v1/..%2f..%2fetc", "/static/../app.py", "/.env", "//x",
                 "/v1/jobs/x", "/v1/results/" + "0" * 32, "/v1/jobs/..%2f..%2fx",
                 "/v1/history?since=yesterday", "/v1/history?since=0001-01-01T00:00:00%2B14:00",
                 "/v1/report?min_grade=98", "/v1/report?material=x", "/v1/sheet?form=exe",
                 "/v1/comparison?lines=nobody", "/v1/comparison?feed_rate=-1"):  # fmt: skip
        yield path, "GET", path, {}, None
    one = "/v1/batches/deck-1-1"
    for path in (one, f"{one}/sheet", f"{one}/sheet?format=exe", "/v1/batches/..%2f..%2fetc-1",
                 "/v1/batches/%00-1", "/v1/batches/-1", f"{one}/trials/1", "/v1/batches/" + "x" * 5000,
                 "/batches?batch=deck-1-1"):  # fmt: skip
        yield f"batch {path[:60]}", "GET", path, {}, None
    for method, path in (("PATCH", one), ("PATCH", f"{one}/trials/1"),
                         ("POST", f"{one}/trials/1/result"), ("PATCH", f"{one}/trials/99999999999999"),
                         ("POST", f"{one}/trials/0/result")):  # fmt: skip
        for body in (b"", b"[]", b"null", b'{"state":"running","closed":true}', b'{"grade":NaN}',
                     b'{"grade":0.9,"grade":0.8}', b'{"settings":[1]}', b"[" * 9999):  # fmt: skip
            yield f"{method} {path} {body[:20]!r}", method, path, JSON, body
    for method, path in (("DELETE", "/v1/runs"), ("DELETE", one), ("PUT", one), ("PUT", "/v1/history"), ("PATCH", "/v1/plans"),
                         ("TRACE", "/health"), ("GET", "/v1/runs"), ("GET", "/v1/plans")):  # fmt: skip
        yield f"{method} {path}", method, path, {}, None
    yield "other host", "GET", "/v1/history", {"Host": "evil.example"}, None
    yield "other site", "POST", "/v1/plans", {**JSON, "Sec-Fetch-Site": "cross-site"}, b"{}"
    yield "no token", "GET", "/v1/history", {"Authorization": ""}, None
    yield "other scheme", "GET", "/v1/history", {"Authorization": "Basic YTpi"}, None
    yield "wrong token", "GET", "/v1/history", {"Authorization": "Bearer x"}, None
    yield "forged form", "POST", "/record", FORM, b"form_token=0&line=deck-1&grade=98"
    for action in ("issue", "state", "result", "close"):
        yield (
            f"forged {action}",
            "POST",
            f"/batches/{action}",
            FORM,
            b"form_token=0&trial=deck-1-1.1",
        )
    yield "forged upload", "POST", "/upload", FORM, b"form_token=0"
    for action in ("check", "load", "remove", "rejects"):
        path = f"/uploads/{'0' * 16}/{action}"
        yield f"forged {action} of an upload", "POST", path, FORM, b"form_token=0"


NO_TEXT = ("%00", "%FF", "%1B%5B31m", "a%0Ab", "%ED%A0%80", "%EF%BF%BF", "x" * 3000)
"""Percent-encoded values that are no text, or too long for any name."""
QUERIES = (
    "/v1/history?line", "/v1/history?since", "/v1/report?line", "/v1/report?trials",
    "/v1/sheet?form", "/v1/comparison?feed_rate", "/v1/comparison?lines", "/v1/diagnosis?seed",
    "/v1/look?x", "/v1/expected?setting", "/v1/changes?run", "/v1/batches?line",
)  # fmt: skip
PARTS = ("goal", "capacity", "limits", "couplings", "trials", "current", "pending", "material")
"""Parts of a brief, none of which can be any of the following."""
NO_PART = ("1", '"x"', "true", "[1]", '{"\\u0000": 1}', '{"a": {"b": {"c": 1}}}')


def _more_requests():
    for query in QUERIES:
        for value in NO_TEXT:
            yield f"{query} {value[:20]}", "GET", f"{query}={value}", {}, None
    for part in PARTS:
        for value in NO_PART:
            body = f'{{"{part}": {value}}}'.encode()
            yield f"brief with {body.decode()}", "POST", "/v1/plans", JSON, body
    # Files that are small until they are read.
    yield "parquet bomb of rows", "POST", "/v1/runs", PARQUET, parquet_bomb(20_000_000, 1)
    yield "parquet bomb of texts", "POST", "/v1/runs", PARQUET, parquet_bomb(400_000, 10_000)
    # Jobs that nobody began, and changes without a reason or a run.
    for job in ("0" * 32, "f" * 32, "x", "0" * 31, "0" * 33, "%00" * 32):
        for method, path in (("GET", "jobs"), ("DELETE", "jobs"), ("GET", "results")):
            yield f"{method} {path} {job}", method, f"/v1/{path}/{job}", {}, None
    for run in ("nobody", "%00", "x" * 3000):
        for body in (b"", b"[]", b'{"reason": ""}', b'{"reason": 1}', b'{"grade": 0.9}'):
            yield f"PATCH run {run[:9]} {body!r}", "PATCH", f"/v1/runs/{run}", JSON, body


def parquet_bomb(rows: int, length: int) -> bytes:
    """A Parquet file of a few kilobytes with one text in many rows."""
    out = io.BytesIO()
    codes = pa.array(np.zeros(rows, np.int32))  # the text is held once, here and in the file
    table = pa.table({"line": pa.DictionaryArray.from_arrays(codes, ["x" * length])})
    pq.write_table(table, out, compression="zstd")
    return out.getvalue()


HOSTILE = [*_requests(), *_more_requests()]
