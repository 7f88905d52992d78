"""Issued batches for readers, read once for each version of the history.

A season has thousands of batches with tens of kilobytes each, so no answer but the document of all
batches holds the plans of all, and that one is made batch by batch and lies in a file.
"""

from __future__ import annotations

import hashlib
import tempfile
import weakref
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from threading import Lock
from typing import IO, TypeVar

from optimizer.campaign import Batch, Lesson, batch_of, batches_in_pieces
from optimizer.history.history import History
from optimizer.history.issued import IssuedBatch, find_batch, issued_batches
from optimizer.history.issued_numbers import issued_ids, unsettled_ids
from optimizer.operations.batch_sheets import batch_sheet
from optimizer.operations.batches import told_batches
from optimizer.service.answers.kept_tasks import KeptTasks
from optimizer.service.answers.summaries import Summary
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.text.visible_text import json_bytes

KEPT = 64
"""Largest number of answers that are kept; only those of the latest version are."""
KEPT_DOCUMENTS = 4
"""Largest number of documents in files that are kept likewise."""
PIECE = 1 << 18
"""Number of bytes of a document that are sent at once."""

T = TypeVar("T")


@dataclass(frozen=True)
class Document:
    """A long document in a file that has no name, and ends with its last reader.

    Attributes:
        tag: its ETag.
        file: the open file.
        size: number of bytes.
        reading: held by the reader that reads a piece.
    """

    tag: str
    file: IO[bytes]
    size: int
    reading: Lock = field(default_factory=Lock)

    def pieces(self) -> Iterator[bytes]:
        """The content; several readers may take it at once."""
        for start in range(0, self.size, PIECE):
            with self.reading:
                self.file.seek(start)
                piece = self.file.read(PIECE)
            yield piece


class IssuedBatches:
    """The issued batches of one history.

    Args:
        history: the run history.
        plant: the site file as it stands.
        versions: the version of the history to answer from.
        folder: folder for files without a name.
    """

    def __init__(
        self, history: History, plant: CurrentSite, versions: Versions, folder: Path
    ) -> None:
        self._history = history
        self._plant = plant
        self._versions = versions
        self._folder = folder
        self._at: tuple[str, int | None, str] = ("", None, "")
        self._kept, self._documents = KeptTasks(KEPT), KeptTasks(KEPT_DOCUMENTS)

    async def ids(self, line: str | None = None) -> tuple[str, ...]:
        """The ids of the batches of a line, of all lines when None, in the order of their issue.

        Raises:
            HistoryError: when the history cannot be read.
        """
        return await self._once(
            ("ids", line), lambda version: issued_ids(self._history.at(version), line)
        )

    async def told(
        self, ids: tuple[str, ...], line: str | None = None
    ) -> tuple[tuple[IssuedBatch, Lesson], ...]:
        """Batches without brief and plan, and what each taught.

        Args:
            ids: ids of the batches in the order of their issue.
            line: the line of all of them; None where they are of several.

        Raises:
            HistoryError: when the history cannot be read.
        """

        def made(version: int | None) -> tuple[tuple[IssuedBatch, Lesson], ...]:
            found = told_batches(self._history.at(version), self._plant.site, line, ids)
            return tuple((_without_plan(batch.issued), lesson) for batch, lesson in found)

        return await self._once(("told", ids, line), made) if ids else ()

    async def beside_plan(self, line: str) -> list[Batch]:
        """The batches of a line beside its plan: those that are open, else the latest one.

        Raises:
            HistoryError: when the history cannot be read.
        """

        def made(version: int | None) -> list[Batch]:
            snapshot, site = self._history.at(version), self._plant.site
            shown = unsettled_ids(snapshot, line) or issued_ids(snapshot, line)[-1:]
            return [batch_of(each) for each in issued_batches(snapshot, site, line, shown)]

        return await self._once(("beside", line), made)

    async def one(self, batch_id: str) -> Batch:
        """The batch of an id.

        Raises:
            InputError: when there is no such batch; the hint names the nearest.
            HistoryError: when the history cannot be read.
        """

        def made(version: int | None) -> Batch:
            return batch_of(find_batch(self._history.at(version), batch_id, self._plant.site))

        return await self._once(("one", batch_id), made)

    async def document(self, line: str | None = None, latest: int | None = None) -> Document:
        """The ``highside.batches/1`` document.

        Args:
            line: name of the only line; all lines when None.
            latest: number of the batches, those that were issued last; all when None.

        Raises:
            HistoryError: when the history cannot be read.
        """

        def made(version: int | None) -> Document:
            snapshot = self._history.at(version)
            only = () if latest is None else issued_ids(snapshot, line)[-latest:]
            return self._written(
                batches_in_pieces(told_batches(snapshot, self._plant.site, line, only))
            )

        at = self._latest()
        return await self._documents.of((line, latest), partial(made, at))

    def _written(self, pieces: Iterator[bytes]) -> Document:
        self._folder.mkdir(parents=True, exist_ok=True)
        file, digest = tempfile.TemporaryFile(dir=self._folder), hashlib.sha256()  # noqa: SIM115 - it is kept
        for piece in pieces:
            file.write(piece)
            digest.update(piece)
        file.flush()
        document = Document(digest.hexdigest()[:32], file, file.tell())
        weakref.finalize(document, file.close)
        return document

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
        version = self._latest()
        return await self._kept.of(question, partial(make, version))

    def _latest(self) -> int | None:
        """The latest version; what is kept of an earlier one is dropped."""
        latest = (*self._versions.latest(), self._plant.site.fingerprint)
        if latest != self._at:
            self._at, self._kept = latest, KeptTasks(KEPT)
            self._documents = KeptTasks(KEPT_DOCUMENTS)
        return latest[1]


def _without_plan(batch: IssuedBatch) -> IssuedBatch:
    return replace(batch, brief={}, plan={}, today={}, noise={})


def text_of(found: Batch) -> Summary:
    """ETag and text of the ``highside.batch/1`` document."""
    return _tagged(json_bytes(found.as_dict()))


def _tagged(content: bytes) -> Summary:
    return hashlib.sha256(content).hexdigest()[:32], content
