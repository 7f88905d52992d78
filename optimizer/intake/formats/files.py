"""Finds the log files that paths, folders and patterns name."""

from __future__ import annotations

import glob
import os
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from pathlib import Path

from optimizer.errors import InputError, reason_of
from optimizer.intake.formats.logs import SUFFIXES, Member, logs_in
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.long_texts import with_texts_cut
from optimizer.intake.reading.source import Chunk, Source
from optimizer.plant.site import Site

MOST_ROWS = 200_000
"""Largest number of rows of a file that is read whole."""


def find_logs(paths: Iterable[str | Path]) -> list[Path]:
    """The log files that paths, folders and patterns name, each file once.

    A path that does not exist remains in the list, so that it is reported with the others.

    Raises:
        InputError: when no path leads to a file.
    """
    asked = [Path(p) for p in paths]
    found: dict[Path, Path] = {}
    for path in asked:
        for file in _logs_at(path):
            found.setdefault(file.resolve(), file)
    files = list(found.values())
    if not any(os.path.isfile(file) or _is_closed(file) for file in files):
        listed = ", ".join(f"'{p}'" for p in asked) or "nothing"
        raise InputError(
            f"no log at {listed}.",
            code="no-log",
            hint=f"Give files, folders or patterns; in folders {', '.join(SUFFIXES)} are read.",
        )
    return files


def _logs_at(path: Path) -> Iterator[Path]:
    if os.path.isdir(path):
        logs = sorted(_logs_in(path))
        yield from logs or [path]
    elif os.path.exists(path) or not glob.has_magic(str(path)):
        yield path
    else:
        matches = sorted(Path(p) for p in glob.glob(str(path), recursive=True))
        files = [f for m in matches for f in (_logs_in(m) if os.path.isdir(m) else [m])]
        yield from files or [path]


def _logs_in(folder: Path) -> Iterator[Path]:
    """Logs in a folder and its subfolders, except hidden folders and histories.

    A folder without read permission is listed itself, so that it is reported with the others.
    """
    if _is_closed(folder):
        yield folder
        return
    if os.path.exists(folder / "_delta_log"):
        return
    for entry in sorted(folder.iterdir()):
        # Names of lock files, which spreadsheets write beside an open workbook, begin with ~$.
        if entry.name.startswith((".", "_", "~$")):
            continue
        if os.path.isdir(entry):
            if not folder.resolve().is_relative_to(entry.resolve()):  # a link to a parent folder
                yield from _logs_in(entry)
        elif entry.name.lower().endswith(SUFFIXES):
            yield entry


def _is_closed(path: Path) -> bool:
    """Whether the system denies access to a path; for a path that does not exist, false."""
    try:
        os.stat(path)
        if os.path.isdir(path):
            os.scandir(path).close()
            os.stat(path / ".")
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return False


def read_whole(path: Path) -> tuple[Source, list[Chunk]]:
    """Read the first table of a file that contains data other than runs.

    Raises:
        InputError: when the file is missing, holds no table, or has more than ``MOST_ROWS`` rows.
    """
    chunks: list[Chunk] = []
    with closing(logs_of_path(path, Headings(Site()), lambda _: None)) as logs:
        source = next(logs).open()
        for part in source.parts(frozenset()):
            chunks.append(with_texts_cut(part()))
            if sum(len(chunk.rows) for chunk in chunks) > MOST_ROWS:
                raise InputError(
                    f"{path} has more than {MOST_ROWS:,} rows.", code="too-large", hint="Split it."
                )
    return source, chunks


def logs_of_path(path: Path, known: Headings, warn: Callable[[str], None]) -> Generator[Member]:
    """The logs of a file, which remains open while they are read.

    Raises:
        InputError: when the file is missing or holds no log.
    """
    if os.path.isdir(path) and not _is_closed(path):
        raise InputError(f"folder '{path}' has no logs.", hint=f"Looked for {', '.join(SUFFIXES)}.")
    try:
        stream = path.open("rb")
    except FileNotFoundError:
        raise InputError(f"'{path}' does not exist.", hint="Check the path.") from None
    except OSError as error:
        raise InputError(f"'{path}' cannot be read: {reason_of(error)}.") from None
    with stream:
        yield from logs_in(stream, str(path), known, warn)
