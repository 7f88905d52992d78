"""What a service is started with, and how its worker processes learn of it.

Tokens never stand in it: they stay in their environment variables or their file.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

VARIABLE = "HIGHSIDE_SERVICE"
"""Environment variable that hands the options to worker processes."""

MIB = 1 << 20


@dataclass(frozen=True)
class Options:
    """How one service runs.

    Args:
        history: path or URI of the run history.
        site: the site file, None for the defaults.
        seed: of plans that name none.
        state: folder of the audit trail and of kept answers; beside the history when empty.
        tokens: file of named tokens, empty for none.
        hosts: names that requests may be addressed to; all when empty.
        secure: served over TLS, here or by a proxy: cookies are then sent over TLS only.
        upload_bytes: largest body of an upload; other bodies may have ``body_bytes``.
        rate: requests a second that one address may send for long (0: any number).
        waiting: plans and reports that may wait; more are refused for now.
        planners: processes that make them; 0 for a thread of this one.
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
        """Where the service keeps what is its own."""
        if self.state:
            return Path(self.state)
        if "://" in self.history:
            return Path("highside-service")
        path = Path(self.history)
        return path.with_name(f"{path.name}-service")

    def hand_over(self) -> None:
        """Puts the options where worker processes find them."""
        os.environ[VARIABLE] = json.dumps(asdict(self))

    @classmethod
    def handed_over(cls) -> Options:
        """The options that ``hand_over`` put there."""
        stored = json.loads(os.environ[VARIABLE])
        return cls(**{**stored, "hosts": tuple(stored["hosts"])})
