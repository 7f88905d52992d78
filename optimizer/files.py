"""Writes files atomically: a file is written completely or not at all.

The content is written to a hidden file in the same folder, which then replaces the target in one
step. A reader sees either the old file or the new one at any time, also after a failure.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from optimizer.errors import HistoryError, InputError, reason_of

WINDOWS = os.name == "nt"
BINARY = getattr(os, "O_BINARY", 0)
"""Flag for ``os.open``, without which Windows writes each line feed as two characters."""
WAITS = (0.01, 0.02, 0.04, 0.08, 0.16, 0.32)
"""Seconds between tries to replace a file that someone reads."""
LONGEST_NAME = 100
"""Number of characters of a file's name in the name of its hidden file; file systems allow 255 in
total."""


def write_whole(
    path: Path, content: bytes | Iterable[bytes], *, own: bool = False, secret: bool = False
) -> None:
    """Write a file, and return when its content is on the disk.

    Args:
        path: path of the file. A path that is not a regular file (a pipe, a device) is written in
            place.
        content: the whole content, or its parts in order.
        own: whether the file belongs to the history or the service rather than to the user; a
            missing folder is then created.
        secret: whether only the owner may read the file, from its first byte on.

    Raises:
        InputError: when the file cannot be written and ``own`` is false.
        HistoryError: when the file cannot be written and ``own`` is true.
    """
    with whole_file(path, own=own, secret=secret) as place, place.open("wb") as file:
        file.writelines([content] if isinstance(content, bytes) else content)


@contextmanager
def whole_file(path: Path, *, own: bool = False, secret: bool = False) -> Iterator[Path]:
    """A context with the path of a hidden file, which becomes ``path`` if the block raises no
    error.

    Arguments and errors are those of ``write_whole``.
    """
    hidden = None
    try:
        if own:
            path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            yield path
            return
        target = path.resolve()  # a symbolic link remains a link
        hidden = target.with_name(f".{target.name[:LONGEST_NAME]}.{os.urandom(8).hex()}")
        if secret:
            os.close(os.open(hidden, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        yield hidden
        if target.exists() and not secret:
            shutil.copymode(target, hidden)
        flush(hidden)
        _replace(hidden, target)
    except OSError as error:
        raise _unwritable(path, error, own) from None
    finally:
        if hidden is not None:
            with suppress(OSError):  # the original error is reported
                hidden.unlink(missing_ok=True)


def _replace(hidden: Path, target: Path) -> None:
    """Put a file in the place of another one, in one step.

    Windows refuses this while anyone reads the other one, which takes a moment.
    """
    for wait in WAITS if WINDOWS else ():
        with suppress(PermissionError):
            os.replace(hidden, target)
            return
        time.sleep(wait)
    os.replace(hidden, target)


def flush(*paths: Path) -> None:
    """Flush files and folders to the disk.

    Windows flushes files that are open for writing alone, and no folders.

    Raises:
        OSError: when one cannot be flushed; some file systems cannot.
    """
    for path in paths:
        if WINDOWS and path.is_dir():
            continue
        handle = os.open(path, os.O_RDWR if WINDOWS else os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _unwritable(path: Path, error: OSError, own: bool) -> InputError | HistoryError:
    message = f"'{path}' cannot be written: {reason_of(error)}."
    if not own:
        return InputError(message, hint="Check the folder, its permissions and the space on it.")
    return HistoryError(
        message,
        code="unwritable-history",
        hint="Check the space on the disk and the permissions, then do the same again.",
    )
