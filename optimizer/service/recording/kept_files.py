"""Files that people upload, kept on the disk until they are loaded and for some time after.

Each has a folder of its own, so that files of equal names never meet: ``file/NAME`` as it was sent,
``upload.json`` (who, when, and the choices of how to read it), ``checked.json`` (what a load would
do) and ``result.json`` (what it did). Every file is written whole, so that a refresh, a restart or
a second person finds all that was there before.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import IO, Any, cast

from optimizer.errors import HistoryError
from optimizer.files import whole_file, write_whole
from optimizer.intake.settling.load import LoadOptions
from optimizer.plant.moments import DateOrder
from optimizer.service.exchange.problems import Problem
from optimizer.text.visible_text import printable

MOST_DAYS = 30
"""Days that an upload is kept."""
MOST_BYTES = 4 << 30
"""Largest size of all uploads together; the oldest are removed first."""
LONGEST_NAME = 200
"""Largest size of the name of a kept file, bytes; file systems allow 255."""
_ID = re.compile(r"[0-9a-f]{16}")
_FOLDERS = re.compile(r"[/\\]")
_REFUSED_IN_NAMES = re.compile(r'[<>:"|?*]')  # by some file systems
# Devices of Windows, with any ending (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = re.compile(r"(con|prn|aux|nul|(com|lpt)[1-9¹²³]) *(\.|$)", re.IGNORECASE)


@dataclass(frozen=True)
class Choices:
    """How a person wants a kept file to be read; the fields are those of ``LoadOptions``."""

    mapping: Mapping[str, str] = field(default_factory=dict)
    line: str | None = None
    date_order: DateOrder | None = None
    samples: bool = False
    logs: tuple[str, ...] | None = None
    edits: Mapping[tuple[str, int], tuple[str, ...]] = field(default_factory=dict)
    sheet_date: date | None = None

    @property
    def options(self) -> LoadOptions:
        """The options of a load."""
        return LoadOptions(
            self.line,
            self.mapping,
            samples=self.samples,
            date_order=self.date_order,
            logs=self.logs,
            edits=self.edits,
            sheet_date=self.sheet_date,
        )

    def as_dict(self) -> dict[str, Any]:
        """The choices as JSON."""
        edits = [[log, row, list(cells)] for (log, row), cells in self.edits.items()]
        return {
            "mapping": dict(self.mapping),
            "line": self.line,
            "date_order": self.date_order,
            "samples": self.samples,
            "logs": None if self.logs is None else list(self.logs),
            "edits": edits,
            "sheet_date": None if self.sheet_date is None else self.sheet_date.isoformat(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Choices:
        """The choices of what ``as_dict`` returned."""
        edits = {(log, row): tuple(cells) for log, row, cells in stored["edits"]}
        logs, day = stored["logs"], stored.get("sheet_date")  # none in an upload of before
        return cls(
            stored["mapping"],
            stored["line"],
            cast("DateOrder | None", stored["date_order"]),
            stored["samples"],
            None if logs is None else tuple(logs),
            edits,
            None if day is None else date.fromisoformat(day),
        )


@dataclass(frozen=True)
class KeptFile:
    """One upload.

    Attributes:
        id: id of the upload, 16 hexadecimal digits.
        name: name of the file, safe to show and to store.
        size: bytes.
        who: name of the person who sent it.
        at: when it was sent.
        choices: how it is to be read.
        folder: its folder.
    """

    id: str
    name: str
    size: int
    who: str | None
    at: datetime
    choices: Choices
    folder: Path

    @property
    def path(self) -> Path:
        """The file as it was sent."""
        return self.folder / "file" / self.name


class KeptFiles:
    """The uploads of one service; several processes may share them.

    Args:
        folder: folder of all uploads; it need not exist.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(
        self, content: IO[bytes], name: str, who: str | None, choices: Choices | None = None
    ) -> KeptFile:
        """Keep a file, and return when it is on the disk; what is too old or too much is removed.

        Args:
            content: the open file.
            name: name that the sender gave it, which may be anything.
            who: name of the sender.
            choices: how it is to be read, where that is known.

        Raises:
            Problem: when the file is empty.
            HistoryError: when it cannot be written.
        """
        new = secrets.token_hex(8)
        folder, safe = self.folder / new, safe_name(name)
        content.seek(0)
        with whole_file(folder / "file" / safe, own=True) as place, place.open("wb") as file:
            shutil.copyfileobj(content, file, 1 << 20)
            size = file.tell()
        kept = KeptFile(new, safe, size, who, datetime.now(UTC), choices or Choices(), folder)
        if not size:
            shutil.rmtree(folder, ignore_errors=True)
            raise Problem(400, f"'{safe}' is empty.", code="empty-body")
        self._write(kept)
        self._tidy(new)
        return kept

    def one(self, upload: str) -> KeptFile:
        """The upload of an id.

        Raises:
            Problem: with status 404, when there is none.
        """
        found = self._read(self.folder / upload) if _ID.fullmatch(upload) else None
        if found is None:
            raise Problem(
                404, "this upload is not kept, or no longer.", code="unknown-upload",
                hint=f"Uploads are kept for {MOST_DAYS} days. Choose the file again.",
            )  # fmt: skip
        return found

    def all(self) -> list[KeptFile]:
        """All uploads, newest first."""
        if not self.folder.is_dir():
            return []
        found = [self._read(path) for path in self.folder.iterdir() if _ID.fullmatch(path.name)]
        return sorted(filter(None, found), key=lambda kept: kept.at, reverse=True)

    def choose(self, kept: KeptFile, choices: Choices) -> KeptFile:
        """Keep other choices with an upload."""
        changed = replace(kept, choices=choices)
        if choices != kept.choices:
            self._write(changed)
        return changed

    def remove(self, kept: KeptFile) -> None:
        """Remove an upload; runs that were loaded from it stay."""
        shutil.rmtree(kept.folder, ignore_errors=True)

    # -- what became of it -------------------------------------------------------------------

    def document(self, kept: KeptFile, name: str) -> dict[str, Any] | None:
        """A document that is kept with an upload, ``checked`` or ``result``; None where there is
        none."""
        return _json(kept.folder / f"{name}.json")

    def keep_document(self, kept: KeptFile, name: str, document: Mapping[str, Any]) -> None:
        """Keep a document with an upload, unless the upload was removed."""
        if kept.folder.is_dir():
            content = json.dumps(document).encode()
            write_whole(kept.folder / f"{name}.json", content, own=True)

    # -- on the disk -------------------------------------------------------------------------

    def _write(self, kept: KeptFile) -> None:
        # What a later version of the program wrote beside is kept.
        stored = self.document(kept, "upload") or {}
        choices = {**stored.get("choices", {}), **kept.choices.as_dict()}
        stored |= {"name": kept.name, "size": kept.size, "who": kept.who}
        stored |= {"at": kept.at.isoformat(), "choices": choices}
        self.keep_document(kept, "upload", stored)

    def _read(self, folder: Path) -> KeptFile | None:
        stored = _json(folder / "upload.json")
        if stored is None:
            return None
        at, choices = datetime.fromisoformat(stored["at"]), Choices.from_dict(stored["choices"])
        return KeptFile(
            folder.name, stored["name"], stored["size"], stored["who"], at, choices, folder
        )

    def _tidy(self, newest: str) -> None:
        """Remove what is too old or too much, but not the newest upload."""
        left, since = MOST_BYTES, datetime.now(UTC) - timedelta(days=MOST_DAYS)
        for kept in self.all():
            left -= kept.size
            if kept.id != newest and (left < 0 or kept.at < since):
                self.remove(kept)


def safe_name(name: str) -> str:
    """The name of a file without folders and without characters that a person cannot see.

    >>> safe_name("../../etc/März 2026.csv"), safe_name("C:\\\\logs\\\\deck\\x1b[2J.csv")
    ('März 2026.csv', 'deck[2J.csv')
    >>> safe_name("con.csv"), safe_name("contents.csv")
    ('_con.csv', 'contents.csv')
    """
    last = _FOLDERS.split(unicodedata.normalize("NFC", name))[-1]
    seen = "".join(c for c in last if printable(c) == c)
    seen = _REFUSED_IN_NAMES.sub("_", seen).strip(". ")
    stem, dot, suffix = seen.rpartition(".")
    if not dot or len(suffix) > 16:
        stem, dot, suffix = seen, "", ""
    room = LONGEST_NAME - len(f"{dot}{suffix}".encode())
    stem = stem.encode()[:room].decode(errors="ignore").strip(". ")
    if not stem:
        return "upload"
    return f"{'_' if _DEVICES.match(stem) else ''}{stem}{dot}{suffix}"


def _json(path: Path) -> dict[str, Any] | None:
    """The content of a JSON file; None where there is none.

    Raises:
        HistoryError: when the file is damaged.
    """
    try:
        found: dict[str, Any] = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError):
        raise HistoryError(
            f"'{path}' cannot be read.", code="damaged-upload",
            hint="Remove its folder, and upload the file again.",
        ) from None  # fmt: skip
    return found
