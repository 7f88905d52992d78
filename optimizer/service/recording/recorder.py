"""Each request that brings runs is one load, and is on disk before it is answered."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import partial
from typing import IO, Any

from optimizer.history.history import History
from optimizer.intake.settling.load import LoadOptions, LoadReport, load_bytes, load_table
from optimizer.operations.recording import complete_rows
from optimizer.plant.site import Site
from optimizer.service.exchange.metrics import Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.bodies import JSON, NAMES, check_body, read_rows
from optimizer.service.recording.group_commit import MOST_ROWS, GroupCommit

COUNTS = ("read", "added", "already_known", "rejected", "version")
"""What the audit trail keeps of a report."""


@dataclass(frozen=True)
class Upload:
    """What a request brings.

    Args:
        body: rows, an open file, since it may be large.
        media_type: what the sender says it is.
        line: line of rows that name none.
        dry_run: whether it is checked only, and nothing is written.
        samples: whether rows are readings over time.
    """

    body: IO[bytes]
    media_type: str
    line: str | None = None
    dry_run: bool = False
    samples: bool = False


class Recorder:
    """Adds runs to one history.

    Args:
        history: where the runs go.
        site: the plant.
        audit: where it is noted who added what.
        metrics: where it is counted.
        recording: entered around each load, in its thread.
    """

    def __init__(
        self,
        history: History,
        site: Site,
        audit: Audit,
        metrics: Metrics,
        recording: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self.history = history
        self.site = site
        self._audit = audit
        self._metrics = metrics
        self._turn = asyncio.Lock()
        self._recording = recording
        self._group_commit = GroupCommit(history, site, self._turn, self._recording)

    async def add(self, upload: Upload, sender: Mapping[str, Any]) -> LoadReport:
        """Loads an upload; returns when runs and audit entry are on disk.

        Args:
            upload: what the request brings.
            sender: what the audit trail says of whoever sent it.

        Raises:
            Problem: when the body is not usable, or nothing in it was.
            HistoryError: when the history is damaged, locked or cannot be written.
        """
        await asyncio.to_thread(check_body, upload.body, upload.media_type)
        report = await self._load(upload)
        if not upload.dry_run:
            await asyncio.to_thread(self._note, upload, sender, report)
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

    async def _load(self, upload: Upload) -> LoadReport:
        options = LoadOptions(upload.line, dry_run=upload.dry_run, samples=upload.samples)
        file = NAMES[upload.media_type]
        if upload.media_type == JSON:
            rows = complete_rows(read_rows(upload.body.read()), self.site, upload.line)
            if not (upload.dry_run or upload.samples) and len(rows) <= MOST_ROWS:
                return await self._group_commit.load(rows, upload.line)
            load = partial(load_table, rows, self.history, self.site, file=file, options=options)
        else:
            load = partial(
                load_bytes, upload.body, self.history, self.site, file=file, options=options
            )
        recording = nullcontext if upload.dry_run else self._recording

        def loaded() -> LoadReport:
            with recording():
                return load()

        async with self._turn:  # with the history's lock alone, each would keep a thread waiting
            return await asyncio.to_thread(loaded)

    def _note(self, upload: Upload, sender: Mapping[str, Any], report: LoadReport) -> None:
        counts = report.as_dict()
        self._audit.add(
            did="record",
            **sender,
            what=upload.media_type,
            sha256=_sha256(upload.body),
            **{name: counts[name] for name in COUNTS},
        )


def _sha256(body: IO[bytes]) -> str:
    found = hashlib.sha256()
    body.seek(0)
    while part := body.read(1 << 16):
        found.update(part)
    return found.hexdigest()
