"""A trial's result as one log row, from options and a plan."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.errors import InputError

# What the goal of a plan says beyond that of a brief.
_NOT_ASKED = ("gain_unit",)


@dataclass(frozen=True)
class PlanFile:
    """A plan that was written to a file.

    Args:
        path: of the file.
        document: the ``highside.plan/1`` document.
        trials: its trials by rank.
        brief: what it was made by; of a plan that does not keep it, what its goal and material
            tell.
        seed: of everything random in it.
    """

    path: Path
    document: Mapping[str, Any]
    trials: Mapping[int, Mapping[str, Any]]
    brief: Mapping[str, Any]
    seed: int


def read_plan(path: Path) -> PlanFile:
    """A plan as ``suggest --json`` prints it.

    Raises:
        InputError: when the file cannot be read or is no plan.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        trials = {t["rank"]: t for t in document["recommendations"]}
        material, goal = document.get("material", {}), document.get("goal", {})
        asked = {k: v for k, v in goal.items() if k not in _NOT_ASKED and v is not None}
        brief = dict(document.get("brief", {"goal": asked, "material": material}))
        return PlanFile(path, document, trials, brief, int(document.get("seed", 0)))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise InputError(
            f"'{path}' is not a plan.", hint="Make one with: highside suggest --json > plan.json"
        ) from None


def result_row(given: Mapping[str, str], plan: PlanFile | None, rank: int) -> dict[str, Any]:
    """Options laid over the settings of a plan's trial; started now when nothing else is said.

    The material that the plan assumed is no reading: of it, only what the options say is kept.

    Raises:
        InputError: when the plan has no such trial, or nothing was given.
    """
    if not given:
        raise InputError(
            "no result was given.", hint="Give --grade and --recovery, or --from FILE."
        )
    row: dict[str, Any] = {} if plan is None else _planned(plan, rank)
    row.update(given)
    row.setdefault("started_at", datetime.now(UTC).isoformat(timespec="seconds"))
    return row


def _planned(plan: PlanFile, rank: int) -> dict[str, Any]:
    document, trials = plan.document, plan.trials
    if rank not in trials:
        raise InputError(
            f"'{plan.path}' has no trial {rank}; it has {', '.join(map(str, trials))}."
        )
    units = document.get("units", {})
    settings = {
        f"{name} [{units[name]}]" if name in units else name: value
        for name, value in trials[rank]["settings"].items()
    }
    line = {"line": document["line"]} if document.get("line") else {}
    return {**line, **settings}
