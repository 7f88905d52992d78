"""Uploads from file to runs: what a load would do, and the load, once.

A check is made once for each state of file, choices and history, and kept with its upload, so that
a page that is opened again shows it at once.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any

from optimizer.intake.settling.load_report import LoadReport
from optimizer.intake.settling.preview import Preview, preview
from optimizer.service.recording.kept_files import KeptFile, KeptFiles
from optimizer.service.recording.recorder import Recorder
from optimizer.version import __version__

AT_ONCE = 2
"""Largest number of checks that run at the same time."""
SHOWN_ROWS = 200
"""Largest number of rejected rows, and of questions, that a check or a result returns."""


class Uploads:
    """The uploads of one process.

    Args:
        files: the kept files.
        recorder: recorder of runs.
    """

    def __init__(self, files: KeptFiles, recorder: Recorder) -> None:
        self.files = files
        self._recorder = recorder
        self._checks: dict[str, asyncio.Task[dict[str, Any]]] = {}
        self._room = asyncio.Semaphore(AT_ONCE)
        self._turns: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    # -- before the load ---------------------------------------------------------------------

    async def check(
        self, kept: KeptFile, version: int | None, patience: float | None = None
    ) -> dict[str, Any] | None:
        """What a load of an upload would do; it waits for no load, and no load waits for it.

        Args:
            kept: the upload.
            version: version of the history.
            patience: how long to wait, seconds; None to wait for as long as it takes.

        Returns:
            The preview as JSON, with at most ``SHOWN_ROWS`` rejects and questions; None when it is
            not ready in time, and goes on.

        Raises:
            Problem: when the file is too large to be read.
            HighsideError: the errors of ``preview``.
        """
        key = self._key(kept, version)
        stored = await asyncio.to_thread(self.files.document, kept, "checked")
        if stored is not None and stored["key"] == key:
            found: dict[str, Any] = stored["preview"]
            return found
        running = self._checks.get(key)
        if running is None:
            running = self._checks[key] = asyncio.create_task(self._check(kept, key))
            running.add_done_callback(lambda _: self._checks.pop(key, None))
        try:
            return await asyncio.wait_for(asyncio.shield(running), patience)
        except TimeoutError:
            return None

    async def _check(self, kept: KeptFile, key: str) -> dict[str, Any]:
        site, options = self._recorder.site, kept.choices.options
        async with self._recorder.parsed(kept.path, options, site, kept.who) as file, self._room:
            look = partial(preview, options=options, most_rows=SHOWN_ROWS)
            return await asyncio.to_thread(
                self._checked, kept, key, partial(look, file, self._recorder.history, site)
            )

    def _checked(self, kept: KeptFile, key: str, look: Callable[[], Preview]) -> dict[str, Any]:
        made = look()
        # As it is read from the disk later, with lists for tuples.
        document = json.loads(json.dumps({**made.as_dict(), "report": _shown(made.report)}))
        self.files.keep_document(kept, "checked", {"key": key, "preview": document})
        return document

    def _key(self, kept: KeptFile, version: int | None) -> str:
        """A digest of all that a check depends on."""
        about = [kept.id, kept.choices.as_dict(), version, self._recorder.site.fingerprint]
        return hashlib.sha256(json.dumps([*about, __version__]).encode()).hexdigest()

    # -- the load ----------------------------------------------------------------------------

    def result(self, kept: KeptFile) -> dict[str, Any] | None:
        """What became of an upload: ``at``, ``who`` and ``report``; None before it is loaded."""
        return self.files.document(kept, "result")

    async def load(
        self, kept: KeptFile, version: int | None, sender: Mapping[str, Any]
    ) -> dict[str, Any] | None:
        """Load an upload, and return its result when runs and audit entry are on disk.

        An upload is loaded once: a second call returns the result of the first. One of which no row
        could be used is not loaded, so that its choices and rows can still be corrected.

        Args:
            kept: the upload, with the choices of how to read it.
            version: version of the history.
            sender: entries of the audit trail about the sender.

        Returns:
            The result; None when no row could be used.

        Raises:
            HighsideError: the errors of ``load_bytes``.
        """
        # The task is shielded: a sender that disconnects does not end the load.
        return await asyncio.shield(asyncio.create_task(self._load(kept, version, sender)))

    async def _load(
        self, kept: KeptFile, version: int | None, sender: Mapping[str, Any]
    ) -> dict[str, Any] | None:
        async with self._turns[kept.id]:
            done = await asyncio.to_thread(self.result, kept)
            if done is not None:
                return done
            checked = await self.check(kept, version)
            if checked is None or checked["report"]["read"] == checked["report"]["rejected"]:
                return None
            report = await self._recorder.add_file(kept.path, kept.choices.options, sender)
            result = {
                "at": datetime.now(UTC).isoformat(),
                "who": sender.get("who"),
                "report": _shown(report),
            }
            await asyncio.to_thread(self.files.keep_document, kept, "result", result)
        self._turns.pop(kept.id, None)
        return result


def _shown(report: LoadReport) -> dict[str, Any]:
    """A report as JSON with the first rejects and questions; a question tells its line."""
    questions = [{**q.as_dict(), "line": q.line} for q in report.questions[:SHOWN_ROWS]]
    return {
        **report.as_dict(),
        "rejects": list(report.rejects[:SHOWN_ROWS]),
        "questions": questions,
        "questions_total": report.questions_total,
    }
