"""A trial's result as one log row, from options and a plan."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.errors import InputError


def result_row(given: Mapping[str, str], plan: Path | None, rank: int) -> dict[str, Any]:
    """Options laid over the settings of a plan's trial; started now when nothing else is said.

    Raises:
        InputError: when the plan cannot be read or has no such trial, or nothing was given.
    """
    if not given:
        raise InputError(
            "no result was given.", hint="Give --grade and --recovery, or --from FILE."
        )
    row: dict[str, Any] = {} if plan is None else _planned(plan, rank)
    row.update(given)
    row.setdefault("started_at", datetime.now(UTC).isoformat(timespec="seconds"))
    return row


def _planned(path: Path, rank: int) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        trials = {t["rank"]: t for t in document["recommendations"]}
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(
            f"'{path}' is not a plan.", hint="Make one with: highside suggest --json > plan.json"
        ) from None
    if rank not in trials:
        raise InputError(f"'{path}' has no trial {rank}; it has {', '.join(map(str, trials))}.")
    units, material = document.get("units", {}), dict(document.get("material", {}))
    settings = {
        f"{name} [{units[name]}]" if name in units else name: value
        for name, value in trials[rank]["settings"].items()
    }
    line = {"line": document["line"]} if document.get("line") else {}
    return {**line, **settings, **material}
