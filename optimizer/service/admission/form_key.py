"""The key that signs the forms of a service: drawn once, and kept in a file.

A key that was drawn anew at each start would refuse every form that was open before a restart, and
what somebody had typed into it would be lost.
"""

from __future__ import annotations

import os
import re
import secrets
from contextlib import suppress
from pathlib import Path

from optimizer.errors import HistoryError, reason_of

NAME = "form-key"
"""Name of the file in the folder of the service."""
TRIES = 5


def stored_form_key(folder: Path) -> str:
    """The key of a folder, in hexadecimal; it is drawn at the first call.

    Services that start at the same time get the same key: the file appears whole, and the first one
    stays.

    Args:
        folder: folder of the service; a missing one is created.

    Raises:
        HistoryError: when the key can be neither read nor written.
    """
    path = folder / NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for _ in range(TRIES):
            found = _own_text(path) if path.exists() else ""
            if re.fullmatch("[0-9a-f]{64}", found):
                return found
            with suppress(FileNotFoundError):  # another service may have removed it
                if found or path.exists():
                    path.unlink()  # damaged, as by a full disk, or others could read it
            _draw(path)
    except OSError as error:
        raise _unusable(path, reason_of(error)) from None
    raise _unusable(path, "it stays damaged")


def _own_text(path: Path) -> str:
    """The text of a file; empty where other users of this machine may read it."""
    # Windows states no such permissions: its files inherit those of their folder.
    if os.name == "posix" and path.stat().st_mode & 0o077:
        return ""
    return path.read_text(encoding="ascii", errors="replace")


def _draw(path: Path) -> None:
    """Write a new key, unless another service wrote one first."""
    hidden = path.with_name(f".{NAME}.{secrets.token_hex(8)}")
    handle = os.open(hidden, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        try:
            os.write(handle, secrets.token_hex(32).encode())
            os.fsync(handle)
        finally:
            os.close(handle)
        try:
            os.link(hidden, path)
        except FileExistsError:
            return
        except OSError:  # a file system without links
            os.replace(hidden, path)
    finally:
        hidden.unlink(missing_ok=True)


def _unusable(path: Path, why: str) -> HistoryError:
    return HistoryError(
        f"the key that signs forms, '{path}', cannot be kept: {why}.",
        code="unwritable-form-key",
        hint="Check the space on the disk and the permissions of this folder.",
    )
