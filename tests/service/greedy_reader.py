"""A reading process in which some files, by their names, take all that they can get."""

from __future__ import annotations

import os
from multiprocessing.connection import Connection

from optimizer.service.recording import reading_process

serve = reading_process.serve
read_through = reading_process.read_through


def serve_greedy(link: Connection) -> None:
    """A reading process in which reading the file ``memory`` takes 4 GiB, ``time`` has no end, and
    ``fault`` ends the process."""

    def greedy(stream, name):
        if name == "memory":
            bytearray(4 << 30)
        while name == "time":
            pass
        if name == "fault":
            os._exit(1)
        read_through(stream, name)

    reading_process.read_through = greedy
    reading_process.CPU_SECONDS = 1
    serve(link)
