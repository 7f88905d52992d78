"""A copy of a history, and of what lies beside it, while others go on writing.

A file of a history never changes once a commit names it, and none is removed, so the list of files
at one version is all that has to be taken at one moment. The lock is held for that list and for the
few files that are written again in place, and the rest is copied afterwards. A copy that is made
again into the same folder takes only what is new.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.errors import InputError, reason_of
from optimizer.history.storage.place import Place
from optimizer.history.storage.table import REJECTS, SAMPLES, RunTable

LEFT_OUT = ("answers",)
"""Folders beside a history that are not copied: stored answers can be made again."""
WRITTEN_AGAIN = (REJECTS, SAMPLES, "_last_checkpoint")
"""Files and folders of a history that are written again in place."""


@dataclass(frozen=True)
class Backup:
    """What a backup holds.

    Attributes:
        history: the copy of the history; what lies beside it does so here as well.
        copied, known: number of files that were copied, and of those that were there before.
        size: bytes of all its files.
    """

    history: Path
    copied: int
    known: int
    size: int

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.backup/1`` document."""
        return {
            "schema": "highside.backup/1",
            "history": str(self.history),
            "copied": self.copied,
            "known": self.known,
            "bytes": self.size,
        }


def back_up(table: RunTable, target: Path, beside: Iterable[Path] = ()) -> Backup:
    """Copy a history, and what lies beside it.

    Args:
        table: the history, in a folder of this machine; others may write to it meanwhile.
        target: folder of the copy; it may hold an earlier copy of the same history.
        beside: further files and folders, such as the site file and the folder of the service;
            what does not exist is left out, and so are the folders of ``LEFT_OUT``.

    Raises:
        InputError: when the history is in an object store, or the target cannot be used.
        HistoryError: when the history is damaged, or locked for too long.
    """
    origin = table.place.folder
    if origin is None:
        raise InputError(
            f"'{table.place.location}' is in an object store, which is copied with its own tools.",
            hint="Copy data files before the log '_delta_log', and nothing has to stop.",
        )
    if table.open() is None:
        raise InputError(f"there is no history at '{origin}'.", hint="Check the path.")
    copy = target / origin.name
    if copy.resolve() == origin.resolve() or origin.resolve() in target.resolve().parents:
        raise InputError(f"'{target}' is part of what is copied.", hint="Choose another folder.")
    _refuse_another(table, copy)
    counts = [0, 0]
    try:
        with table.lock():
            files = sorted(
                p for p in origin.rglob("*") if p.is_file() and p != table.place.lock_file
            )
            again = {p for p in files if set(WRITTEN_AGAIN) & set(p.relative_to(origin).parts)}
            for path in again:
                _copy(path, copy / path.relative_to(origin), counts, afresh=True)
        # The log comes last: a copy that was interrupted has no commit whose files are missing.
        for path in sorted(set(files) - again, key=lambda p: ("_delta_log" in p.parts, p)):
            _copy(path, copy / path.relative_to(origin), counts)
        for each in beside:
            inside = sorted(each.rglob("*")) if each.is_dir() else [each]
            for path in inside:
                part = path.relative_to(each.parent)
                if path.is_file() and not (set(part.parts[1:-1]) & set(LEFT_OUT) or _hidden(path)):
                    _copy(path, target / part, counts, afresh=True)
    except OSError as error:
        raise InputError(
            f"'{target}' cannot be written: {reason_of(error)}.",
            hint="Check the folder, its permissions and the space on it, and do the same again.",
        ) from None
    size = sum(path.stat().st_size for path in target.rglob("*") if path.is_file())
    return Backup(copy, counts[0], counts[1], size)


def _refuse_another(table: RunTable, copy: Path) -> None:
    """Refuse a folder that holds another history.

    Raises:
        InputError: when it does.
    """
    there, here = RunTable(Place(str(copy)), 0.0).open(), table.open()
    if there is None or here is None:
        return
    if there.metadata().id != here.metadata().id or there.version() > here.version():
        raise InputError(
            f"'{copy}' holds another history, or a later version of this one.",
            hint="Choose an empty folder.",
        )


def _hidden(path: Path) -> bool:
    """Whether a file is one that is being written, which has another name once it is whole."""
    return path.name.startswith(".")


def _copy(path: Path, target: Path, counts: list[int], *, afresh: bool = False) -> None:
    """Copy a file with its rights, unless it is there and never changes."""
    try:
        known = not afresh and target.stat().st_size == path.stat().st_size
    except FileNotFoundError:
        known = False
    counts[known] += 1
    if known:
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part")
    try:
        shutil.copy2(path, part)
    except FileNotFoundError:  # removed or renamed meanwhile, as uploads are
        counts[0] -= 1
        return
    part.replace(target)
