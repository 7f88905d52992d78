"""The location of a history, and the errors that say what is wrong with it."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import pyarrow.fs as pa_fs
from deltalake.fs import DeltaStorageHandler

from optimizer.errors import HistoryError, InputError, reason_of

_LOCK = "_lock"


@dataclass(frozen=True)
class Place:
    """The location of a history.

    Args:
        location: a folder, a ``file://`` URI, or the URI of an object store.

    Raises:
        InputError: when the location would not outlive the process.
    """

    location: str

    def __post_init__(self) -> None:
        if self.location.startswith("memory://"):
            raise InputError(
                f"history '{self.location}' would be gone when the command ends.",
                hint="Give a folder.",
            )

    @cached_property
    def folder(self) -> Path | None:
        """The folder on this machine, None for an object store."""
        if "://" not in self.location:
            return Path(self.location)
        if self.location.startswith("file://"):
            return Path(url2pathname(urlsplit(self.location).path))
        return None

    @property
    def uri(self) -> str:
        """The location in the form that the table library accepts."""
        return self.location if self.folder is None else str(self.folder)

    @property
    def lock_file(self) -> Path:
        """The file that a writer on this machine locks."""
        if self.folder is not None:
            return self.folder / _LOCK
        digest = hashlib.sha256(self.location.encode()).hexdigest()[:16]
        return Path(tempfile.gettempdir()) / f"highside-{digest}.lock"

    @cached_property
    def filesystem(self) -> pa_fs.FileSystem:
        """A file system whose root is the location of the history."""
        if self.folder is not None:
            return pa_fs.SubTreeFileSystem(self.folder.as_posix(), pa_fs.LocalFileSystem())
        return pa_fs.PyFileSystem(DeltaStorageHandler(self.uri))

    def absolute(self) -> Place:
        """This location as an absolute path, so that a process in another folder finds it."""
        return self if self.folder is None else Place(str(self.folder.resolve()))

    # -- errors ------------------------------------------------------------------------------

    def damaged(self, error: Exception | str) -> HistoryError:
        """The error for a history that cannot be read; its kind depends on the cause."""
        reason = reason_of(error)
        if isinstance(error, PermissionError) or "Permission denied" in reason:
            return self.unreadable(error)
        if self.folder is None and isinstance(error, OSError):
            return HistoryError(
                f"history '{self.location}' cannot be reached: {reason}.",
                code="unreachable-history",
                hint="Check the address, and the credentials in the environment.",
            )
        return HistoryError(
            f"history '{self.location}' is damaged: {reason}.",
            code="damaged-history",
            hint="Nothing was written. 'highside history --verify' finds what is damaged and the "
            "latest version that is sound; '--restore VERSION' goes back to it.",
        )

    def unreadable(self, error: Exception | str) -> HistoryError:
        """The error for a history whose files the user has no permission to read."""
        return HistoryError(
            f"history '{self.location}' cannot be read: {reason_of(error)}.",
            code="unreadable-history",
            hint="Check the permissions of the folder and of the files in it.",
        )

    def unwritable(self, reason: object) -> HistoryError:
        """The error for a history that cannot be written."""
        return HistoryError(
            f"history '{self.location}' cannot be written: {reason}.",
            code="unwritable-history",
            hint="Nothing was added. Check the space on the disk and the permissions, then do the "
            "same again.",
        )
