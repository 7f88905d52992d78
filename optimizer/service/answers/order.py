"""One long answer as it is ordered: everything that it depends on, and the key made of that."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optimizer.version import __version__

PACKAGE = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Order:
    """An answer that was asked for.

    Args:
        key: 32 hexadecimal digits; equal for orders that have the same answer.
        kind: one of ``kinds.MEDIA_TYPES``.
        brief: as it was given, without defaults.
        seed: of everything random.
        version: of the history; None while it is empty.
        more: of a comparison, its ``lines`` and ``feed_rate``.
    """

    key: str
    kind: str
    brief: Mapping[str, Any]
    seed: int
    version: int | None
    more: Mapping[str, Any] = field(default_factory=dict)


def code_fingerprint() -> str:
    """A hash of the package's files: other code may give another answer to the same order."""
    found = hashlib.sha256(__version__.encode())
    for path in sorted(PACKAGE.rglob("*")):
        if path.suffix in (".py", ".toml", ".html", ".css"):
            found.update(path.read_bytes())
    return found.hexdigest()
