"""The code of the reading process, in which a file of a stranger is read before it is trusted.

A few kilobytes can unpack to gigabytes, and every reader has faults. So a file is first read to its
end in a process that has little memory and little time and that nothing else depends on; what comes
through is read again where it is loaded.
"""

from __future__ import annotations

import io
import os
import sys
from multiprocessing.connection import Connection
from pathlib import Path
from typing import IO, Any

import pyarrow as pa

from optimizer.errors import InputError
from optimizer.intake.formats.logs import logs_in
from optimizer.intake.formats.parquet import File, Limits
from optimizer.intake.reading.columns import Headings
from optimizer.plant.site import Site

if sys.platform != "win32":  # which has no such limits
    import resource

MEMORY = 1 << 30
"""Memory that reading may take besides the program itself, bytes."""
CPU_SECONDS = 120
"""Processor time that reading one file may take, which does not depend on how busy the machine
is."""
MOST_ROWS = 1_000_000
"""Largest number of rows of one file."""
MOST_COLUMNS = 2000
"""Largest number of columns of one log."""
OF_PARQUET = Limits(rows=500_000, columns=500, size=1 << 29)
"""Limits of a decoded Parquet body: about as much as a body of text can hold."""
NICENESS = 5
"""How far reading gives way to other processes, as of the ``nice`` command (POSIX)."""

SPLIT = "Split it into several."

Work = tuple[str | bytes, str, bool]
"""Path or content of a file, its name, and whether it must be Parquet."""
Refusal = dict[str, Any]
"""What is told of a file that is refused: ``status``, ``message``, ``code`` and ``hint``."""


def serve(link: Connection) -> None:
    """Read files for as long as the parent sends any.

    Args:
        link: brings ``Work``, and takes the refusal of each, None for a file that can be read, and
            whether the process has too little memory left for a further file.
    """
    pa.set_cpu_count(1)
    refusal((b"line,grade\na,1\n", "text", False))  # loads what libraries load late
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
        told = refusal(work)
        # Libraries keep what they took, so the next file would have less.
        link.send((told, sys.platform != "win32" and _data_bytes() > spent))


def refusal(work: Work) -> Refusal | None:
    """Why a file is refused; None where it is not.

    A file that is merely wrong is not refused here; that is told where it is loaded.
    """
    place, name, is_parquet = work
    try:
        with io.BytesIO(place) if isinstance(place, bytes) else Path(place).open("rb") as stream:
            if is_parquet:
                check_parquet(stream, name)
            read_through(stream, name)
    except Refused as error:
        return error.refusal
    except InputError as error:
        if error.code == "too-large":
            return {"status": 413, "message": error.message, "code": error.code, "hint": error.hint}
    except MemoryError:
        said = f"{name} needs more than {MEMORY >> 20:,} MiB of memory to be read."
        return {"status": 413, "message": said, "code": "too-large", "hint": SPLIT}
    except Exception:
        return None
    return None


class Refused(Exception):
    """A file is refused, whatever a load would say of it.

    Args:
        refusal: what is told.
    """

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal["message"])
        self.refusal = refusal


def check_parquet(stream: IO[bytes], name: str) -> None:
    """See to it that a file is Parquet, and not far larger once it is decoded.

    Raises:
        Refused: when it is not, or is.
    """
    try:
        File(stream, name, OF_PARQUET).check()
    except InputError as error:
        large = error.code == "too-large"
        status, code = (413, "too-large") if large else (422, "not-parquet")
        told = {"status": status, "message": error.message, "code": code, "hint": error.hint}
        raise Refused(told) from None
    stream.seek(0)


def read_through(stream: IO[bytes], name: str) -> None:
    """Read a file to its end; logs in it that cannot be read are left out.

    Raises:
        InputError: when it is too large, or no file of logs.
    """
    rows = 0
    for log in logs_in(stream, name, Headings(Site(), every_sheet=True), lambda _: None):
        try:
            source = log.open()
        except InputError as error:
            if error.code == "too-large":
                raise
            continue
        if len(source.headings) > MOST_COLUMNS:
            raise _too_large(f"{log.name} has more than {MOST_COLUMNS:,} columns.")
        for part in source.parts(frozenset()):
            rows += len(part().rows)
            if rows > MOST_ROWS:
                raise _too_large(f"{name} has more than {MOST_ROWS:,} rows.")


def _too_large(said: str) -> InputError:
    return InputError(said, code="too-large", hint=SPLIT)


def _data_bytes() -> int:
    """Memory that counts for the limit of data, bytes, of this process; Linux tells it."""
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii")
        return int(text.partition("VmData:")[2].split()[0]) << 10
    except (OSError, ValueError, IndexError):
        return 1 << 30
