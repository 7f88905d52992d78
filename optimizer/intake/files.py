"""Paths, folders and patterns to the log files they mean."""

from __future__ import annotations

import glob
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO

from optimizer.errors import InputError
from optimizer.intake.readers import open_log
from optimizer.intake.source import Source

SUFFIXES = (".csv", ".tsv", ".txt", ".csv.gz", ".tsv.gz", ".txt.gz", ".parquet", ".pq")


def find_logs(paths: Iterable[str | Path]) -> list[Path]:
    """Log files that paths, folders and patterns lead to, each once.

    A path that leads nowhere is in the list as it is, so that it is reported with the others.

    Raises:
        InputError: when no path leads to a file.
    """
    asked = [Path(p) for p in paths]
    found: dict[Path, Path] = {}
    for path in asked:
        for file in _logs_at(path):
            found.setdefault(file.resolve(), file)
    files = list(found.values())
    if not any(file.is_file() for file in files):
        listed = ", ".join(f"'{p}'" for p in asked) or "nothing"
        raise InputError(
            f"no log at {listed}.",
            code="no-log",
            hint=f"Give files, folders or patterns; in folders {', '.join(SUFFIXES)} are read.",
        )
    return files


def _logs_at(path: Path) -> Iterator[Path]:
    if path.is_dir():
        logs = sorted(_logs_in(path))
        yield from logs or [path]
    elif path.exists() or not glob.has_magic(str(path)):
        yield path
    else:
        matches = sorted(Path(p) for p in glob.glob(str(path), recursive=True))
        files = [f for m in matches for f in (_logs_in(m) if m.is_dir() else [m])]
        yield from files or [path]


def _logs_in(folder: Path) -> Iterator[Path]:
    """Logs in a folder and below it; not in hidden folders, nor in a history."""
    if (folder / "_delta_log").exists():
        return
    for entry in sorted(folder.iterdir()):
        if entry.name.startswith((".", "_")):
            continue
        if entry.is_dir():
            yield from _logs_in(entry)
        elif entry.name.lower().endswith(SUFFIXES):
            yield entry


def open_path(path: Path) -> tuple[IO[bytes], Source]:
    """Opens a log file.

    Raises:
        InputError: when there is none, or it is neither text nor Parquet.
    """
    if path.is_dir():
        raise InputError(f"folder '{path}' has no logs.", hint=f"Looked for {', '.join(SUFFIXES)}.")
    try:
        stream = path.open("rb")
    except FileNotFoundError:
        raise InputError(f"'{path}' does not exist.", hint="Check the path.") from None
    except OSError as error:
        raise InputError(f"'{path}' cannot be read: {error.strerror}.") from None
    try:
        return stream, open_log(stream, str(path))
    except BaseException:
        stream.close()
        raise
