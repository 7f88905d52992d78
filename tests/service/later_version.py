"""A service of a later version of the program, which writes fields that this one does not know.

``python -m tests.service.later_version FOLDER PORT`` serves the history of a folder.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from optimizer.history.storage.event_log import Event
from optimizer.service.answers import job_queue
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http import server
from optimizer.service.recording.audit import Audit
from tests.serving import TOKEN

LATER = {"later": {"field": "of a later version"}}


def main() -> None:
    """Serve until the process is told to end."""
    as_dict, append = Event.as_dict, Audit._append

    def event(self: Event) -> dict:
        """An event with further keys; where it describes units, those have one, too."""
        found = as_dict(self)
        about = {**found["about"], **LATER}
        for units in about.get("columns", {}).values():
            units["later"] = "x"
        return {**found, "about": about, **LATER}

    Event.as_dict = event
    Audit._append = lambda self, entries: append(self, [{**each, **LATER} for each in entries])
    job_queue.code_fingerprint = lambda: "a later version"
    os.environ["HIGHSIDE_TOKEN"] = TOKEN
    os.chdir(sys.argv[1])
    options = Configuration(str(Path("history")), rate=0, planners=1)
    server.serve(options, server.Listening(port=int(sys.argv[2])), print)


if __name__ == "__main__":
    main()
