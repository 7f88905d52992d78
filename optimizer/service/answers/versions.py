"""The version of the history that the service answers from."""

from __future__ import annotations

from pathlib import Path

from optimizer.history.history import History
from optimizer.history.storage.table import commit_file


class Versions:
    """The latest version of a history, which is cheap enough to look up at every request.

    For a history in a folder, the known commit file is the latest as long as it has no successor.
    This check looks at two file names and reads no log.

    Args:
        history: the run history.
    """

    def __init__(self, history: History) -> None:
        self._history = history
        self._known: tuple[str, int, tuple[int, int]] | None = None
        self._held: tuple[str, int | None] | None = None

    def hold(self) -> None:
        """Make ``latest`` return the present version from now on, even after further commits."""
        self._held = self.newest()

    def release(self) -> None:
        """Make ``latest`` return the newest version again."""
        self._held = None

    def latest(self) -> tuple[str, int | None]:
        """Id of the table, and the version to answer from; None before the first commit."""
        return self._held or self.newest()

    def newest(self) -> tuple[str, int | None]:
        """Id of the table, and its newest version even while ``hold`` is in effect."""
        known, folder = self._known, self._history.folder
        if known is not None and folder is not None:
            table_id, version, stamp = known
            commit, following = (commit_file(folder, version + k) for k in (0, 1))
            if _stamp(commit) == stamp and not following.exists():
                return table_id, version
        table = self._history.table.open()
        if table is None:
            self._known = None
            return "", None
        table_id, version = str(table.metadata().id), table.version()
        stamped = None if folder is None else _stamp(commit_file(folder, version))
        self._known = None if stamped is None else (table_id, version, stamped)
        return table_id, version


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_ino, found.st_mtime_ns)
