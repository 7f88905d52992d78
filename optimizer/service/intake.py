"""Rows and files from outside become runs, each request one load: on disk before it is answered."""

from __future__ import annotations

import asyncio
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from functools import partial
from typing import IO, Any

from optimizer.errors import InputError, reason_of
from optimizer.history.history import History
from optimizer.intake.load import LoadReport, load_bytes, load_table
from optimizer.intake.reading.parquet import File, Limits
from optimizer.operations.recording import complete_rows
from optimizer.plant.site import Site
from optimizer.service import group_commit as together
from optimizer.service.audit import Audit
from optimizer.service.forms import LONGEST_NAME
from optimizer.service.group_commit import Together
from optimizer.service.metrics import Metrics
from optimizer.service.problems import Problem
from optimizer.service.summaries import Summaries
from optimizer.service.texts import shown

JSON, CSV, PARQUET = "application/json", "text/csv", "application/vnd.apache.parquet"
NAMES = {JSON: "rows", CSV: "upload.csv", PARQUET: "upload.parquet"}
"""Kinds of bodies, and what the report calls them; no name from outside reaches the disk."""
MOST_ROWS = 100_000
"""Rows of a JSON body."""
MOST_COLUMNS = 500
OF_PARQUET = Limits(rows=500_000, columns=MOST_COLUMNS, size=1 << 29)
"""Of a Parquet body once it is decoded: about as much as a body of text can hold."""
BEGINNING = 4096
"""Bytes of a body by which an empty or packed one is known."""
PACKED = (b"\x1f\x8b", b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


class Recorder:
    """Adds what comes in to one history.

    Args:
        history: where the runs go.
        site: the plant.
        audit: where is noted who added what.
        metrics: where it is counted.
        summaries: shown anew by each recording.
    """

    def __init__(
        self, history: History, site: Site, audit: Audit, metrics: Metrics, summaries: Summaries
    ) -> None:
        self.history = history
        self.site = site
        self._audit = audit
        self._metrics = metrics
        self._turn = asyncio.Lock()
        self._recording = summaries.recording
        self._together = Together(history, site, self._turn, self._recording)

    async def add(
        self,
        body: IO[bytes],
        media_type: str,
        who: Mapping[str, Any],
        *,
        line: str | None = None,
        dry_run: bool = False,
        samples: bool = False,
    ) -> LoadReport:
        """Loads a body; returns when runs and audit entry are on the disk.

        Args:
            body: rows, as ``media_type`` says; an open file, since an upload may be large.
            media_type: one of ``NAMES``.
            who: what the audit says of the sender.
            line: line of rows that name none.
            dry_run: checks, and writes nothing.
            samples: rows are readings over time.

        Raises:
            Problem: when nothing in it could be used.
            HistoryError: when the history is damaged, locked or cannot be written.
        """
        name = NAMES.get(media_type)
        if name is None:
            raise Problem(
                415,
                f"'{media_type[:60]}' is not read here.",
                code="media-type",
                hint=f"Send {', '.join(NAMES)}.",
            )
        body.seek(0)
        if not (start := body.read(BEGINNING)).strip() and not body.read(1):
            raise Problem(400, "the body is empty.", code="empty-body")
        body.seek(0)
        content: Any = body
        if media_type == JSON:
            content = complete_rows(read_rows(body.read()), self.site, line)
        else:
            await asyncio.to_thread(_check, body, start, media_type)
        if media_type == JSON and not (dry_run or samples) and len(content) <= together.MOST_ROWS:
            report = await self._together.load(content, line)
        else:
            load = partial(
                load_table if media_type == JSON else load_bytes,
                content, self.history, self.site,
                file=name, line=line, dry_run=dry_run, samples=samples,
            )  # fmt: skip
            recording = nullcontext if dry_run else self._recording

            def loaded() -> LoadReport:
                with recording():
                    return load()

            async with self._turn:  # the history's own lock would keep a thread waiting for each
                report = await asyncio.to_thread(loaded)
        if not dry_run:
            counts = report.as_dict()
            kept = ("read", "added", "already_known", "rejected", "version")
            await asyncio.to_thread(
                lambda: self._audit.add(
                    did="record",
                    **who,
                    what=media_type,
                    sha256=_digest(body),
                    **{k: counts[k] for k in kept},
                )
            )
            self._metrics.count("runs_added", report.added)
            self._metrics.count("rows_rejected", report.rejected)
        if report.unreadable or (report.read and report.rejected == report.read):
            first = next(iter(report.rejects), {"reason": "it holds no rows."})
            raise Problem(
                422,
                f"nothing in it could be used: {first['reason']}",
                code="nothing-usable",
                hint="'rejects' names each row and what is wrong with it.",
                more=report.as_dict(),
            )
        return report


def read_json(body: bytes) -> Any:
    """The value of a JSON body.

    Raises:
        Problem: when it is not JSON, holds what JSON has no number for, a key twice, or a number
            beyond all that can be computed with.
    """
    try:
        return json.loads(
            body.decode("utf-8-sig"),
            parse_constant=_refuse,
            parse_float=_finite,
            parse_int=_whole,
            object_pairs_hook=_once,
        )
    except (ValueError, RecursionError) as error:
        said = "nested too deeply" if isinstance(error, RecursionError) else reason_of(error)
        raise Problem(400, f"the body is not JSON: {said}.", code="not-json") from None


def _refuse(name: str) -> Any:
    raise ValueError(f"{name} is not a JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is larger than any number here")
    return value


def _whole(text: str) -> int:
    _finite(text)
    return int(text)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def read_brief(body: bytes) -> Mapping[str, Any]:
    """A brief as a JSON body; an empty body is the brief that says nothing.

    Raises:
        Problem: when it is none, or holds what is not text.
    """
    brief = read_json(body) if body.strip() else {}
    if not isinstance(brief, dict):
        raise Problem(422, "a brief is a JSON object.", code="not-a-brief")
    left: list[Any] = [brief]
    while left:
        value = left.pop()
        if isinstance(value, dict):
            left += [*value, *value.values()]
        elif isinstance(value, list):
            left += value
        elif isinstance(value, str) and not (_is_text(value) and len(value) <= LONGEST_NAME):
            said = f"'{shown(value[:40])}' is no text, or has more than {LONGEST_NAME} characters"
            raise Problem(422, f"the brief: {said}.", code="not-text")
    return brief


def read_rows(body: bytes) -> Sequence[Mapping[str, Any]]:
    """Rows of a JSON body: an array of objects of plain values.

    Raises:
        Problem: naming the first row that is not one.
    """
    rows = read_json(body)
    if not isinstance(rows, list) or not rows:
        raise Problem(
            422, "expected a JSON array of rows, and at least one.", code="not-rows",
            hint='For example [{"line": "deck-1", "feed_rate": 2.0, "grade": 0.987}].',
        )  # fmt: skip
    if len(rows) > MOST_ROWS:
        raise Problem(413, f"more than {MOST_ROWS} rows.", code="too-many-rows")
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict) or not row:
            raise Problem(422, f"row {number} is not an object of values.", code="not-rows")
        if len(row) > MOST_COLUMNS:
            raise Problem(422, f"row {number} has more than {MOST_COLUMNS} keys.", code="not-rows")
        for key, value in row.items():
            if not isinstance(value, str | int | float | None):
                raise Problem(
                    422, f"row {number}, {key[:60]!r}: expected text, a number or null.",
                    code="not-rows",
                )  # fmt: skip
            if not _is_text(key) or (isinstance(value, str) and not _is_text(value)):
                raise Problem(422, f"row {number} holds what is not text.", code="not-rows")
    return rows


def _is_text(value: str) -> bool:
    """Whether it is text that every reader of the history can show."""
    return "\0" not in value and not any("\ud800" <= c <= "\udfff" for c in value)


def _digest(body: IO[bytes]) -> str:
    found = hashlib.sha256()
    body.seek(0)
    while part := body.read(1 << 16):
        found.update(part)
    return found.hexdigest()


def _check(body: IO[bytes], start: bytes, media_type: str) -> None:
    """That a file is what it says, and does not unpack to something far larger."""
    if media_type == CSV and start.startswith(PACKED):
        raise Problem(
            415, "a packed file or workbook is not text.", code="packed",
            hint="Send the plain text, or load the file with 'highside load'.",
        )  # fmt: skip
    if media_type == PARQUET:
        try:
            File(body, NAMES[PARQUET], OF_PARQUET).check()
        except InputError as error:
            large = error.code == "too-large"
            raise Problem(
                413 if large else 422, error.message, hint=error.hint,
                code="too-large" if large else "not-parquet",
            ) from None  # fmt: skip
