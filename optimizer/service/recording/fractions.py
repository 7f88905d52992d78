"""Keeps files of density fractions, from which a comparison draws partition curves."""

from __future__ import annotations

import hashlib
import io
import re
from contextlib import suppress
from pathlib import Path

from optimizer.comparison import read_fractions
from optimizer.errors import InputError
from optimizer.files import write_whole
from optimizer.service.recording.bodies import CSV, check_body

MOST_KEPT = 100
"""Largest number of files; the one that was not added for the longest time is removed first."""
NAME = "the file"
"""What messages call a file, whose name on the disk says nothing to its sender."""


class KeptFractions:
    """The files of density fractions of one service, each under the digest of its content.

    Args:
        folder: folder of the files; it may not exist yet.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, content: bytes) -> str:
        """Keep a file, and return the name under which it is kept.

        Raises:
            InputError: when it is not a file of density fractions; the message says in which row.
            Problem: when it is empty or packed.
            HistoryError: when it cannot be written.
        """
        check_body(io.BytesIO(content), CSV)
        name = hashlib.sha256(content).hexdigest()[:32]
        path = self._folder / f"{name}.csv"
        write_whole(path, content, own=True)
        try:
            read_fractions(path)
        except InputError as error:
            path.unlink(missing_ok=True)
            said = error.message.replace(f"'{path}'", NAME).replace(str(path), NAME)
            raise InputError(said, code=error.code, hint=error.hint) from None
        self._clear()
        return name

    def path(self, name: str) -> Path | None:
        """The path of a file that is kept; None where there is none of that name."""
        path = self._folder / f"{name}.csv"
        return path if re.fullmatch("[0-9a-f]{32}", name) and path.exists() else None

    def _clear(self) -> None:
        paths = sorted(self._folder.glob("*.csv"), key=lambda path: path.stat().st_mtime)
        for path in paths[:-MOST_KEPT]:
            with suppress(OSError):
                path.unlink()
