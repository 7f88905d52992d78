"""The configuration of a service, and how it is passed to the processes that answer requests.

Tokens are never part of the configuration: they remain in their environment variables or their
file.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

VARIABLE = "HIGHSIDE_SERVICE"
"""Environment variable that passes the configuration to the processes that answer requests."""

MIB = 1 << 20


@dataclass(frozen=True)
class Configuration:
    """The configuration of one service.

    Args:
        history: path or URI of the run history.
        site: path of the site file; None for the defaults.
        language: language of sheets, reports and pages; empty for that of the site file.
        seed: seed of plans whose request names none.
        state: folder of the audit trail and of stored answers; when empty, a folder beside the
            history.
        tokens: path of the file of named tokens; empty for none.
        hosts: host names that requests may be addressed to; empty for any.
        secure: whether browsers reach the service over TLS, its own or a proxy's; cookies are then
            sent over TLS only.
        upload_bytes: largest size of the body of an upload, bytes.
        body_bytes: largest size of the body of any other request, bytes.
        rate: average number of requests that one address may send in a second; 0 for no limit.
        proxies: addresses or networks of proxies whose connections carry requests of others.
        connections: largest number of connections of all senders to one process; 0 for no limit.
        connections_each: largest number of connections, and of requests at once, of one sender's
            address; 0 for no limit.
        header_seconds: seconds in which the headers of a request have to arrive.
        pause_seconds: longest pause, in seconds, in the body of a request, or in taking an answer.
        waiting: largest number of plans and reports that may wait; further requests are refused.
        planners: number of processes that make plans and reports; 0 for a thread of this process.
    """

    history: str
    site: str | None = None
    language: str = ""
    seed: int = 0
    state: str = ""
    tokens: str = ""
    hosts: tuple[str, ...] = ()
    secure: bool = False
    upload_bytes: int = 32 * MIB
    body_bytes: int = MIB
    rate: float = 50.0
    proxies: tuple[str, ...] = ()
    connections: int = 512
    connections_each: int = 64
    header_seconds: float = 10.0
    pause_seconds: float = 30.0
    waiting: int = 32
    planners: int = 1

    @property
    def folder(self) -> Path:
        """Folder of the audit trail and of stored answers."""
        if self.state:
            return Path(self.state)
        if "://" in self.history:
            return Path("highside-service")
        path = Path(self.history)
        return path.with_name(f"{path.name}-service")

    def hand_over(self) -> None:
        """Store the configuration in the environment for the processes that answer requests."""
        os.environ[VARIABLE] = json.dumps(asdict(self))

    @classmethod
    def handed_over(cls) -> Configuration:
        """The configuration that ``hand_over`` stored in the environment."""
        stored = json.loads(os.environ[VARIABLE])
        return cls(**{**stored, **{name: tuple(stored[name]) for name in ("hosts", "proxies")}})
