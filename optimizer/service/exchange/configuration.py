"""What a service is started with, and how it reaches the processes that answer.

Tokens are never part of it: they stay in their environment variables or their file.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

VARIABLE = "HIGHSIDE_SERVICE"
"""Environment variable that carries the configuration to the processes that answer."""

MIB = 1 << 20


@dataclass(frozen=True)
class Configuration:
    """How one service runs.

    Args:
        history: path or URI of the run history.
        site: the site file, None for the defaults.
        seed: of plans that name none.
        state: folder of the audit trail and of kept answers; beside the history when empty.
        tokens: file of named tokens; empty for none.
        hosts: names that requests may be addressed to; empty for any.
        secure: whether it is served over TLS, here or by a proxy; cookies are then sent over TLS
            only.
        upload_bytes: largest body of an upload.
        body_bytes: largest body of any other request.
        rate: requests a second that one address may send over a long time; 0 for any number.
        waiting: plans and reports that may wait; further ones are refused for the moment.
        planners: processes that make plans and reports; 0 for a thread of this process.
    """

    history: str
    site: str | None = None
    seed: int = 0
    state: str = ""
    tokens: str = ""
    hosts: tuple[str, ...] = ()
    secure: bool = False
    upload_bytes: int = 32 * MIB
    body_bytes: int = MIB
    rate: float = 50.0
    waiting: int = 32
    planners: int = 1

    @property
    def folder(self) -> Path:
        """Folder of the audit trail and of kept answers."""
        if self.state:
            return Path(self.state)
        if "://" in self.history:
            return Path("highside-service")
        path = Path(self.history)
        return path.with_name(f"{path.name}-service")

    def hand_over(self) -> None:
        """Puts the configuration where the processes that answer find it."""
        os.environ[VARIABLE] = json.dumps(asdict(self))

    @classmethod
    def handed_over(cls) -> Configuration:
        """The configuration that ``hand_over`` put there."""
        stored = json.loads(os.environ[VARIABLE])
        return cls(**{**stored, "hosts": tuple(stored["hosts"])})
