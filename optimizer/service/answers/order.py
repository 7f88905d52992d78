"""The order of one long answer: everything that the answer depends on, and a key made from it."""

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
    """A request for one long answer.

    Args:
        key: 32 hexadecimal digits, equal for orders that have equal answers.
        kind: one of ``kinds.MEDIA_TYPES``.
        brief: the brief as it was given, without defaults.
        seed: seed of all random numbers.
        version: version of the history; None while the history is empty.
        site: content of the site file.
        more: further options; for a comparison those that ``kinds.comparison_request`` reads,
            for a sheet its ``paper``.
    """

    key: str
    kind: str
    brief: Mapping[str, Any]
    seed: int
    version: int | None
    site: Mapping[str, Any]
    more: Mapping[str, Any] = field(default_factory=dict)


def code_fingerprint() -> str:
    """A hash of the package's files, since changed code may answer an equal order differently."""
    found = hashlib.sha256(__version__.encode())
    for path in sorted(PACKAGE.rglob("*")):
        if path.suffix in (".py", ".toml", ".html", ".css"):
            found.update(path.read_bytes())
    return found.hexdigest()
