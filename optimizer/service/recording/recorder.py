"""Records runs and their changes: each request is one commit, which is on disk before the
answer."""

from __future__ import annotations

import asyncio
import hashlib
import os
from collections.abc import Callable, Mapping
from contextlib import AbstractAsyncContextManager, AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, TypeVar

from optimizer.history.changes import Changes
from optimizer.history.history import History
from optimizer.intake.settling.load import LoadOptions, LoadReport, load_file
from optimizer.intake.settling.log_files import LogFile, content_as_file, rows_as_file
from optimizer.operations.recording import complete_rows
from optimizer.plant.site import Site
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.metrics import Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.bodies import CSV, JSON, NAMES, PARQUET, check_body, read_rows
from optimizer.service.recording.group_commit import MOST_ROWS, GroupCommit
from optimizer.service.recording.reading_process import Kind
from optimizer.service.recording.untrusted import Untrusted

T = TypeVar("T")
SMALL = 1 << 16
"""Size of a text, bytes, up to which parsing it cannot take much memory or time."""
KINDS: Mapping[str, Kind] = {JSON: "rows", CSV: "file", PARQUET: "parquet"}
"""What the reading process takes a body of each media type for."""
COUNTS = ("read", "added", "already_known", "rejected", "version")
"""Fields of a load report that the audit trail stores."""


@dataclass(frozen=True)
class Upload:
    """The content and options of a request to add runs.

    Args:
        body: rows, or an open file, since an upload may be large.
        media_type: media type that the sender states.
        line: line of the rows that name none.
        dry_run: whether the rows are only checked, and nothing is written.
        samples: whether the rows are readings over time.
        sure: whether rows that raise questions are stored.
    """

    body: IO[bytes]
    media_type: str
    line: str | None = None
    dry_run: bool = False
    samples: bool = False
    sure: bool = True


class Recorder:
    """Adds runs to one history, and changes them.

    Args:
        history: history to which the runs are added.
        plant: the site file as it stands.
        audit: audit trail, which records who added what.
        metrics: counters of added runs.
        untrusted: parses files of strangers.
        recording: context that is entered around each load, in its thread.

    Attributes:
        turn: lock that is held while this process changes the history.
    """

    def __init__(
        self,
        history: History,
        plant: CurrentSite,
        audit: Audit,
        metrics: Metrics,
        untrusted: Untrusted,
        recording: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self.untrusted = untrusted
        self.history = history
        self._plant = plant
        self._audit = audit
        self._metrics = metrics
        self.turn = asyncio.Lock()
        self._recording = recording
        self._group_commit = GroupCommit(history, plant, self.turn, self._recording)

    @property
    def site(self) -> Site:
        """The description of the plant."""
        return self._plant.site

    async def add(self, upload: Upload, sender: Mapping[str, Any]) -> LoadReport:
        """Load an upload, and return when runs and audit entry are on disk.

        Args:
            upload: content and options of the request.
            sender: entries of the audit trail about the sender.

        Raises:
            Problem: when the body is not usable, or none of its rows is.
            QuestionError: when a row raises a question and nobody is sure; nothing is stored.
            HistoryError: when the history is damaged, locked or cannot be written.
        """
        check_body(upload.body, upload.media_type)
        report = await self._load(upload, sender.get("who"))
        if not upload.dry_run:
            sha256 = await _beside(_size(upload.body), partial(_sha256, upload.body))
            await self._note(upload.media_type, sha256, report, sender)
            self._count(report)
        if report.unreadable or (report.read and report.rejected == report.read):
            first = next(iter(report.rejects), {"reason": "the body holds no rows."})
            raise Problem(
                422,
                f"no row could be used: {first['reason']}",
                code="nothing-usable",
                hint="'rejects' names each row and what is wrong with it.",
                more=report.as_dict(),
            )
        return report

    def parsed(
        self, path: Path, options: LoadOptions, site: Site, who: str | None
    ) -> AbstractAsyncContextManager[LogFile]:
        """A context with the logs of a kept file; errors as of ``Untrusted.parsed``."""
        return self.untrusted.parsed(
            str(path), path.name, site, who=who, named=True, mapping=options.mapping
        )

    async def add_file(
        self, path: Path, options: LoadOptions, sender: Mapping[str, Any]
    ) -> LoadReport:
        """Load a file that was kept, and return when runs and audit entry are on disk.

        Args:
            path: the file, whose name rejects, questions and audit trail tell.
            options: options of the load.
            sender: entries of the audit trail about the sender.

        Raises:
            InputError: when a heading is mapped to an unknown field.
            HistoryError: when the history is damaged, locked or cannot be written.
        """

        def sha256() -> str:
            with path.open("rb") as content:
                return _sha256(content)

        site = self.site
        async with self.parsed(path, options, site, sender.get("who")) as file:
            report = await self.write(partial(load_file, file, self.history, site, options=options))
        about = {"file": path.name, "edited": len(options.edits)}
        await self._note("file", await asyncio.to_thread(sha256), report, {**sender, **about})
        self._count(report)
        return report

    async def change(self, work: Callable[[], Changes], sender: Mapping[str, Any]) -> Changes:
        """Change a run, and return when the change and its audit entry are on disk.

        Args:
            work: makes the change.
            sender: entries of the audit trail about the sender.

        Raises:
            HighsideError: the errors of the change.
        """

        def changed() -> Changes:
            with self._recording():
                return work()

        async with self.turn:
            made = await asyncio.to_thread(changed)
        (change,) = made.as_dict()["changes"]
        told = {name: change[name] for name in ("run_id", "line", "reason", "version")}
        await self._audit.note(did=change["what"], **sender, **told)
        self._metrics.count("runs_changed")
        return made

    async def _load(self, upload: Upload, who: str | None) -> LoadReport:
        options = LoadOptions(
            upload.line, dry_run=upload.dry_run, samples=upload.samples, sure=upload.sure
        )
        kind, name, site = upload.media_type, NAMES[upload.media_type], self.site
        load = partial(load_file, history=self.history, site=site, options=options)
        recording = nullcontext if upload.dry_run else self._recording
        content = await _beside(_size(upload.body), partial(_content, upload.body))
        if kind == PARQUET or len(content) > SMALL:
            apart = self.untrusted.parsed(
                content, name, site, who=who, kind=KINDS[kind], line=upload.line
            )
            async with apart as file:
                return await self.write(partial(load, file), recording)
        if kind != JSON:
            return await self.write(partial(load, content_as_file(name, content)), recording)
        rows = complete_rows(read_rows(content), site, upload.line)
        if not (upload.dry_run or upload.samples) and len(rows) <= MOST_ROWS:
            return await self._group_commit.load(rows, upload.line, upload.sure)
        return await self.write(partial(load, rows_as_file(name, rows)), recording)

    async def write(
        self,
        change: Callable[[], T],
        recording: Callable[[], AbstractContextManager[None]] | None = None,
    ) -> T:
        """Change the history in a thread, while nothing else of this process does.

        Args:
            change: function that changes the history.
            recording: context around it; that of every load when None.

        Raises:
            HighsideError: the errors of the function.
        """

        def changed() -> T:
            with (recording or self._recording)():
                return change()

        # Without this lock each change would keep a thread waiting for the history's lock.
        async with self.turn:
            return await asyncio.to_thread(changed)

    def _count(self, report: LoadReport) -> None:
        self._metrics.count("runs_added", report.added)
        self._metrics.count("rows_rejected", report.rejected)

    async def _note(
        self, what: str, sha256: str, report: LoadReport, sender: Mapping[str, Any]
    ) -> None:
        counts = report.as_dict()
        told = {name: counts[name] for name in COUNTS}
        await self._audit.note(did="record", **sender, what=what, sha256=sha256, **told)


async def _beside(size: int, work: Callable[[], T]) -> T:
    """The result of some work on a body: of a large one in a thread, since others would wait."""
    return work() if size <= SMALL else await asyncio.to_thread(work)


def _content(body: IO[bytes]) -> bytes:
    body.seek(0)
    return body.read()


def _size(body: IO[bytes]) -> int:
    return body.seek(0, os.SEEK_END)


def _sha256(body: IO[bytes]) -> str:
    found = hashlib.sha256()
    body.seek(0)
    while part := body.read(1 << 16):
        found.update(part)
    return found.hexdigest()
