"""Files are written whole or not at all.

The content goes to a hidden file beside the place it is for, which takes that place in one step.
Whoever reads meanwhile sees the old file or the new one, and so does everybody after a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from optimizer.errors import HistoryError, InputError, reason_of

LONGEST_NAME = 100
"""Characters of a file's name that its hidden file repeats; file systems allow 255 in all."""


def write_whole(path: Path, content: bytes | Iterable[bytes], *, own: bool = False) -> None:
    """Writes a file; returns when its content is on the disk.

    Args:
        path: the file. What is not a regular file (a pipe, a device) is written in place.
        content: all of it, or its parts in order.
        own: whether the file belongs to the history or the service rather than to the user: a
            folder that is missing is then made.

    Raises:
        InputError: when it cannot be written, and is not ``own``.
        HistoryError: when it cannot be written, and is ``own``.
    """
    with whole_file(path, own=own) as place, place.open("wb") as file:
        file.writelines([content] if isinstance(content, bytes) else content)


@contextmanager
def whole_file(path: Path, *, own: bool = False) -> Iterator[Path]:
    """Where to write what becomes the file ``path`` when the block ends without an error.

    Args and errors are those of ``write_whole``.
    """
    hidden = None
    try:
        if own:
            path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            yield path
            return
        target = path.resolve()  # a link keeps leading where it leads
        hidden = target.with_name(f".{target.name[:LONGEST_NAME]}.{os.urandom(8).hex()}")
        yield hidden
        if target.exists():
            shutil.copymode(target, hidden)
        _sync(hidden)
        os.replace(hidden, target)
    except OSError as error:
        raise _unwritable(path, error, own) from None
    finally:
        if hidden is not None:
            with suppress(OSError):  # what went wrong with it is said already
                hidden.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _unwritable(path: Path, error: OSError, own: bool) -> InputError | HistoryError:
    message = f"'{path}' cannot be written: {reason_of(error)}."
    if not own:
        return InputError(message)
    return HistoryError(
        message,
        code="unwritable-history",
        hint="Check the space on the disk and the permissions, then do the same again.",
    )
