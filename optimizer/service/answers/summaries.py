"""Summaries of the history, made once for each version, so that no reader waits for a recording.

A recording in this process makes the summary of the new version before that version is shown.
Until then requests are answered from the version before: nothing of the new one has been
acknowledged yet.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from optimizer.history.history import History
from optimizer.plant.site import Site
from optimizer.service.answers.versions import Versions
from optimizer.text.visible_text import json_bytes

KEPT = 100
RENEWED = 8
"""Most summaries that a recording makes anew, of those asked for since the one before."""

Asked = tuple[str, int | None, str | None, str | None]
Summary = tuple[str, bytes]
"""ETag and content."""


class Summaries:
    """Summaries of one history.

    Args:
        history: the run history.
        site: the plant.
        versions: of the history.
    """

    def __init__(self, history: History, site: Site, versions: Versions) -> None:
        self.history = history
        self.site = site
        self.versions = versions
        self._made: OrderedDict[Asked, Summary] = OrderedDict()
        self._making: dict[Asked, asyncio.Task[Summary]] = {}
        self._questions: dict[tuple[str | None, str | None], None] = {}

    async def of(self, line: str | None = None, since: str | None = None) -> Summary:
        """Tag and text of the ``highside.history/1`` document as the command prints it.

        Raises:
            InputError: when ``since`` is not a date.
            HistoryError: when the history cannot be read.
        """
        self._questions[line, since] = None
        asked: Asked = (*self.versions.latest(), line, since)
        found = self._made.get(asked)
        if found is not None:
            return found
        task = self._making.get(asked)
        if task is None:
            task = asyncio.create_task(asyncio.to_thread(self._make, asked))
            self._making[asked] = task
            task.add_done_callback(lambda _: self._making.pop(asked, None))
        return await asyncio.shield(task)

    @contextmanager
    def recording(self) -> Iterator[None]:
        """Entered around a load, in its thread; the new version is shown once its summaries exist.

        Raises:
            HistoryError: when others hold the history for too long.
        """
        if self.history.folder is None:  # no lock keeps others from committing meanwhile
            yield
            return
        with self.history.lock():
            self.versions.hold()
            try:
                yield
                self.renew()
            finally:
                self.versions.release()

    def renew(self) -> None:
        """Makes the summaries of the newest version that were asked for since the last time."""
        lately, self._questions = list(self._questions)[-RENEWED:], {}
        # A failure shows when the summary is asked for; what was recorded is on disk all the same.
        with suppress(Exception):
            latest = self.versions.newest()
            for question in dict.fromkeys([(None, None), *lately]):
                self._make((*latest, *question))

    def _make(self, asked: Asked) -> Summary:
        _, version, line, since = asked
        found = self.history.at(version).summary(self.site, line, since)
        content = json_bytes(found.as_dict())
        made = hashlib.sha256(content).hexdigest()[:32], content
        self._made[asked] = made
        while len(self._made) > KEPT:
            self._made.popitem(last=False)
        return made
