"""A reading process in which some files, by their names, take all that they can get."""

from __future__ import annotations

import os
from multiprocessing.connection import Connection

from optimizer.service.recording import reading_process

serve = reading_process.serve
logs_of = reading_process._logs_of


def serve_greedy(link: Connection) -> None:
    """A reading process in which reading the file ``memory`` takes 4 GiB, ``time`` has no end, and
    ``fault`` ends the process."""

    def greedy(stream, work):
        if work.name == "memory":
            bytearray(4 << 30)
        while work.name == "time":
            pass
        if work.name == "fault":
            os._exit(1)
        return logs_of(stream, work)

    reading_process._logs_of = greedy
    reading_process.CPU_SECONDS = 1
    serve(link)
