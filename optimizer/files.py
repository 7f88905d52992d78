"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from optimizer.errors import HistoryError, reason_of


def write_atomically(path: Path, parts: Iterable[bytes]) -> None:
    """Writes a file whole or not at all, its folder too when that is not there.

    Raises:
        HistoryError: when it cannot be written; what stood there still stands.
    """
    hidden = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, hidden = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.writelines(parts)
            file.flush()
            os.fsync(file.fileno())
        os.replace(hidden, path)
        hidden = None
    except OSError as error:
        raise HistoryError(
            f"'{path}' cannot be written: {reason_of(error)}.",
            code="unwritable-history",
            hint="Check the space on the disk and the permissions, then do the same again.",
        ) from None
    finally:
        if hidden is not None:
            Path(hidden).unlink(missing_ok=True)
