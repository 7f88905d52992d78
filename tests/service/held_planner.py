"""Planning processes whose answers wait for a word of a test, and a service that has such ones.

``python -m tests.service.held_planner FOLDER PORT`` serves the history of a folder.
"""

from __future__ import annotations

import os
import sys
import time
from multiprocessing.connection import Connection
from pathlib import Path

import uvicorn

from optimizer.service.admission.access import Access
from optimizer.service.answers import planning_process
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.serving import SECONDS

serve = planning_process.serve


def folder_of(history: str) -> Path:
    """The folder in which a test lets answers go on, and in which processes tell their ids."""
    return Path(history).with_name("held")


def serve_held(link: Connection, niceness: int = 0) -> None:
    """A planning process that, at its first stage, waits for the file ``go``."""
    from optimizer.service.answers import kinds

    make = kinds.make

    def held(order, history, progress):
        place = folder_of(history)
        progress("held")
        (place / f"{order.kind}.{os.getpid()}").touch()
        deadline = time.monotonic() + SECONDS
        while not (place / "go").exists():
            assert time.monotonic() < deadline
            time.sleep(0.02)
        return make(order, history, progress)

    kinds.make = held
    serve(link, niceness)


def main() -> None:
    """Serve until the process is ended."""
    planning_process.serve = serve_held
    folder = Path(sys.argv[1])
    options = Configuration(str(folder / "history"), rate=0, planners=1)
    app = create_app(options, Access({}, b"k" * 32))
    uvicorn.run(app, port=int(sys.argv[2]), log_level="warning")


if __name__ == "__main__":
    main()
