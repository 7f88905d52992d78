"""Issued batches for readers, read once for each version of the history."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Hashable
from functools import partial
from typing import TypeVar

from optimizer.campaign import Batch, Batches
from optimizer.history.history import History
from optimizer.history.issued import find_batch
from optimizer.operations.batch_sheets import batch_sheet
from optimizer.operations.batches import batches
from optimizer.service.answers.kept_tasks import KeptTasks
from optimizer.service.answers.summaries import Summary
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.text.trial_numbers import line_of_batch
from optimizer.text.visible_text import json_bytes

KEPT = 64
"""Largest number of answers that are kept; only those of the latest version are."""

T = TypeVar("T")


class IssuedBatches:
    """The issued batches of one history.

    Args:
        history: the run history.
        plant: the site file as it stands.
        versions: the version of the history to answer from.
    """

    def __init__(self, history: History, plant: CurrentSite, versions: Versions) -> None:
        self._history = history
        self._plant = plant
        self._versions = versions
        self._at: tuple[str, int | None, str] = ("", None, "")
        self._kept = KeptTasks(KEPT)

    async def of(self, line: str | None = None) -> Batches:
        """The batches of a line, or of all lines when None.

        Raises:
            HistoryError: when the history cannot be read.
        """
        return await self._once(
            ("batches", line),
            lambda version: batches(self._history.at(version), self._plant.site, line),
        )

    async def one(self, batch_id: str) -> Batch:
        """The batch of an id.

        Raises:
            InputError: when there is no such batch; the hint names the nearest.
            HistoryError: when the history cannot be read.
        """
        line = line_of_batch(batch_id)
        for each in (await self.of(line)).batches:
            if each.issued.batch == batch_id:
                return each
        version = self._versions.latest()[1]
        await asyncio.to_thread(lambda: find_batch(self._history.at(version), batch_id))
        return await self.one(batch_id)  # it was issued meanwhile

    async def document(self, line: str | None = None) -> Summary:
        """ETag and text of the ``highside.batches/1`` document; arguments and errors as of
        ``of``."""
        found = await self.of(line)
        return await self._once(("text", line), lambda _: text_of(found))

    async def document_of(self, batch_id: str) -> Summary:
        """ETag and text of the ``highside.batch/1`` document; errors as of ``one``."""
        return text_of(await self.one(batch_id))

    async def sheet(self, batch_id: str, form: str, paper: str = "a4") -> Summary:
        """ETag and content of the trial sheet of a batch, as ``pdf``, ``html`` or ``csv``, on
        paper ``a4`` or ``letter``; errors as of ``one``."""

        def made(version: int | None) -> Summary:
            words = self._plant.site.words
            found = batch_sheet(self._history.at(version), batch_id, f".{form}", paper, words)
            return _tagged(found)

        return await self._once(("sheet", batch_id, form, paper), made)

    async def _once(self, question: Hashable, make: Callable[[int | None], T]) -> T:
        """The answer to a question, made in a thread at its first asking at the latest version."""
        latest = (*self._versions.latest(), self._plant.site.fingerprint)
        if latest != self._at:
            self._at, self._kept = latest, KeptTasks(KEPT)
        return await self._kept.of(question, partial(make, latest[1]))


def text_of(found: Batch | Batches) -> Summary:
    """ETag and text of a document."""
    return _tagged(json_bytes(found.as_dict()))


def _tagged(content: bytes) -> Summary:
    return hashlib.sha256(content).hexdigest()[:32], content
