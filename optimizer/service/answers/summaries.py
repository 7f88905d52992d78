"""Summaries of the history, made once for each version, so that readers never wait for writers.

When this process adds runs, it makes the summary of the new version before requests are answered
from that version. Until then requests are answered from the previous version, which is correct
because no row of the new version has been acknowledged yet.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from optimizer.history.history import History
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.text.visible_text import json_bytes

KEPT = 100
RENEWED = 8
"""Largest number of summaries that are made again after a load, out of those requested since the
last one."""

Asked = tuple[str, int | None, str, str | None, str | None]
Summary = tuple[str, bytes]
"""ETag and content of a summary."""


class Summaries:
    """The summaries of one history.

    Args:
        history: the run history.
        plant: the site file as it stands.
        versions: the version of the history to answer from.
    """

    def __init__(self, history: History, plant: CurrentSite, versions: Versions) -> None:
        self.history = history
        self._plant = plant
        self.versions = versions
        self._made: OrderedDict[Asked, Summary] = OrderedDict()
        self._making: dict[Asked, asyncio.Task[Summary]] = {}
        self._questions: dict[tuple[str | None, str | None], None] = {}

    async def of(self, line: str | None = None, since: str | None = None) -> Summary:
        """ETag and text of the ``highside.history/1`` document that the command prints.

        Raises:
            InputError: when ``since`` is not a date.
            HistoryError: when the history cannot be read.
        """
        self._questions[line, since] = None
        asked: Asked = (*self.versions.latest(), self._plant.site.fingerprint, line, since)
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
        """A context around a load, in its thread; the new version is used once its summaries exist.

        Raises:
            HistoryError: when other processes hold the lock of the history for too long.
        """
        if self.history.folder is None:  # no lock prevents other commits meanwhile
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
        """Make those summaries of the newest version that were requested since the last call."""
        lately, self._questions = list(self._questions)[-RENEWED:], {}
        # A failure is reported when the summary is requested; the recorded runs are on disk in any
        # case.
        with suppress(Exception):
            latest = (*self.versions.newest(), self._plant.site.fingerprint)
            for question in dict.fromkeys([(None, None), *lately]):
                if (*latest, *question) not in self._made:  # a load that added nothing
                    self._make((*latest, *question))

    def _make(self, asked: Asked) -> Summary:
        _, version, _, line, since = asked
        found = self.history.at(version).summary(self._plant.site, line, since)
        content = json_bytes(found.as_dict())
        made = hashlib.sha256(content).hexdigest()[:32], content
        self._made[asked] = made
        while len(self._made) > KEPT:
            self._made.popitem(last=False)
        return made
