"""The code of the reading process, in which a file of a stranger is parsed.

A few kilobytes can unpack to gigabytes, and every reader has faults. So a file is parsed in a
process that has little memory and little time and that nothing else depends on. It hands over the
logs of the file as tables (``intake.formats.parsed``); no other process parses the file.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import IO, Any, Literal

import pyarrow as pa

from optimizer.errors import HighsideError, InputError, reason_of
from optimizer.intake.formats.logs import Member, logs_in
from optimizer.intake.formats.parquet import File, Limits
from optimizer.intake.formats.parsed import SPLIT, Logs, MostParsed, Writer
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.log_files import rows_as_file
from optimizer.operations.recording import complete_rows
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.bodies import read_rows

if sys.platform != "win32":  # which has no such limits
    import resource

MEMORY = 1 << 30
"""Memory that reading may take besides the program itself, bytes."""
CPU_SECONDS = 120
"""Processor time that reading one file may take, which does not depend on how busy the machine
is."""
MOST = MostParsed(rows=1_000_000, columns=2000, size=1 << 30)
"""Limits of what is handed over of one file: rows, columns of one log, bytes."""
OF_PARQUET = Limits(rows=500_000, columns=500, size=1 << 29)
"""Limits of a decoded Parquet body: about as much as a body of text can hold."""
NICENESS = 5
"""How far reading gives way to other processes, as of the ``nice`` command (POSIX)."""

Kind = Literal["file", "parquet", "rows"]
Refusal = dict[str, Any]
"""What is told of a file that is refused: ``status``, ``message``, ``code`` and ``hint``."""


@dataclass(frozen=True)
class Work:
    """A file to be parsed.

    Args:
        place: path or content of the file.
        name: what messages call it.
        into: an empty folder for what is handed over.
        kind: whether it can be any file of logs, must be Parquet, or is a JSON array of rows.
        site: the plant, by whose names headings are recognized.
        mapping: mapping from heading to field.
        line: line of JSON rows that name none.
    """

    place: str | bytes
    name: str
    into: str
    kind: Kind = "file"
    site: Site = field(default_factory=Site)
    mapping: Mapping[str, str] | None = None
    line: str | None = None


def serve(link: Connection) -> None:
    """Read files for as long as the parent sends any.

    Args:
        link: brings ``Work``, and takes the refusal of each, None for a file that was handed over,
            and whether the process has too little memory left for a further file.
    """
    pa.set_cpu_count(1)
    _load_libraries()
    if sys.platform != "win32":
        os.nice(NICENESS)
        most = _data_bytes() + MEMORY
        spent = _data_bytes() + MEMORY // 4
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))
    while True:
        try:
            work = link.recv()
        except (EOFError, OSError):
            return
        if sys.platform != "win32":
            used = resource.getrusage(resource.RUSAGE_SELF)
            until = int(used.ru_utime + used.ru_stime) + CPU_SECONDS
            resource.setrlimit(resource.RLIMIT_CPU, (until, resource.RLIM_INFINITY))
        told = parse(work)
        # Libraries keep what they took, so the next file would have less.
        link.send((told, sys.platform != "win32" and _data_bytes() > spent))


def _load_libraries() -> None:
    """Load what libraries load late, so that it does not count as memory of a file."""
    for log in logs_in(io.BytesIO(b"line,grade\na,1\n"), "text", Headings(Site()), lambda _: None):
        for part in log.open().parts(frozenset()):
            part()


def parse(work: Work) -> Refusal | None:
    """Parse a file, and hand over its logs; returns why it is refused, None where it is not.

    A file that is merely wrong is not refused: what is wrong is handed over, and told where it is
    loaded.
    """
    try:
        with _opened(work.place) as stream:
            known = Headings(work.site, work.mapping)
            Writer(Path(work.into), work.name, MOST).write(_logs_of(stream, work), known)
    except Problem as error:
        return _told(error, error.status)
    except InputError as error:
        return _told(error, 413 if error.code == "too-large" else 422)
    except MemoryError:
        said = f"{work.name} needs more than {MEMORY >> 20:,} MiB of memory to be read."
        return {"status": 413, "message": said, "code": "too-large", "hint": SPLIT}
    except Exception as error:  # a fault of a reader, which a stranger may have looked for
        said = f"{work.name} cannot be read: {reason_of(error)}."
        return {"status": 422, "message": said, "code": "unreadable", "hint": "Save it as CSV."}
    return None


def _opened(place: str | bytes) -> IO[bytes]:
    return io.BytesIO(place) if isinstance(place, bytes) else Path(place).open("rb")


def _told(error: HighsideError, status: int) -> Refusal:
    return {"status": status, "message": error.message, "code": error.code, "hint": error.hint}


def _logs_of(stream: IO[bytes], work: Work) -> Logs:
    """What iterates over the logs of a file.

    Raises:
        Problem: when it must be Parquet or JSON rows and is not.
        InputError: when a Parquet file is far larger once it is decoded.
    """
    if work.kind == "rows":
        rows = complete_rows(read_rows(stream.read()), work.site, work.line)
        return rows_as_file(work.name, rows).logs
    if work.kind == "parquet":
        _check_parquet(stream, work.name)

    def logs(*how: Any) -> Iterator[Member]:
        stream.seek(0)
        return logs_in(stream, work.name, *how)

    return logs


def _check_parquet(stream: IO[bytes], name: str) -> None:
    """See to it that a file is Parquet, and not far larger once it is decoded.

    Raises:
        Problem: when it is not, or is.
    """
    try:
        File(stream, name, OF_PARQUET).check()
    except InputError as error:
        large = error.code == "too-large"
        status, code = (413, "too-large") if large else (422, "not-parquet")
        raise Problem(status, error.message, code=code, hint=error.hint) from None


def _data_bytes() -> int:
    """Memory that counts for the limit of data, bytes, of this process; Linux tells it."""
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii")
        return int(text.partition("VmData:")[2].split()[0]) << 10
    except (OSError, ValueError, IndexError):
        return 1 << 30
