"""What the history holds, worked out once a version however many ask at the same time."""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections import OrderedDict

from optimizer.config import Site
from optimizer.errors import InputError
from optimizer.history import History
from optimizer.service.work import Versions

KEPT = 100

Asked = tuple[str, int | None, str | None, str | None]


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
        self._made: OrderedDict[Asked, asyncio.Task[bytes]] = OrderedDict()

    async def of(self, line: str | None = None, since: str | None = None) -> tuple[str, bytes]:
        """The ``highside.history/1`` document as the command prints it, and its tag.

        Raises:
            InputError: when ``since`` is no date.
            HistoryError: when the history cannot be read.
        """
        table, version = self.versions.latest()
        asked = (table, version, line, since)
        task = self._made.get(asked)
        if task is None or (task.done() and (task.cancelled() or task.exception())):
            task = asyncio.create_task(asyncio.to_thread(self._make, line, since))
            self._made[asked] = task
            while len(self._made) > KEPT:
                self._made.popitem(last=False)
        found = await asyncio.shield(task)
        # By content: where somebody recorded in between, it is of the version that it names.
        return hashlib.sha256(found).hexdigest()[:32], found

    def _make(self, line: str | None, since: str | None) -> bytes:
        try:
            found = self.history.summary(self.site, line, since)
        except OverflowError:
            raise InputError(f"'{since}' is not a date that can be compared.") from None
        return (json.dumps(found, indent=1, ensure_ascii=False) + "\n").encode()
