"""A plan that was written to a file, and its trials as rows of a run log."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.errors import InputError
from optimizer.text.headings import with_unit

# What the goal of a plan says beyond that of a brief.
_NOT_IN_A_BRIEF = ("gain_unit",)


@dataclass(frozen=True)
class PlanFile:
    """A plan as ``suggest --json`` prints it.

    Attributes:
        path: of the file.
        line: of the plan; None where it names none.
        units: of the settings, by name.
        trials: settings of each trial, by rank.
        brief: what the plan was made by; of a plan that does not keep it, its goal and material.
        seed: of everything random in it.
    """

    path: Path
    line: str | None
    units: Mapping[str, str]
    trials: Mapping[int, Mapping[str, float]]
    brief: Mapping[str, Any]
    seed: int

    def trial(self, rank: int) -> dict[str, object]:
        """Line and settings of one trial, as a row of a run log.

        Raises:
            InputError: when the plan has no such trial.
        """
        if rank not in self.trials:
            raise InputError(
                f"'{self.path}' has no trial {rank}; it has {', '.join(map(str, self.trials))}."
            )
        settings = {
            with_unit(name, self.units.get(name, "")): value
            for name, value in self.trials[rank].items()
        }
        return {**({} if self.line is None else {"line": self.line}), **settings}


def read_plan(path: str | Path) -> PlanFile:
    """A plan as ``suggest --json`` prints it.

    Raises:
        InputError: when the file cannot be read or is no plan.
    """
    path = Path(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        material, goal = document.get("material", {}), document.get("goal", {})
        asked = {k: v for k, v in goal.items() if k not in _NOT_IN_A_BRIEF and v is not None}
        return PlanFile(
            path=path,
            line=document.get("line") or None,
            units=document.get("units", {}),
            trials={t["rank"]: t["settings"] for t in document["recommendations"]},
            brief=dict(document.get("brief", {"goal": asked, "material": material})),
            seed=int(document.get("seed", 0)),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise InputError(
            f"'{path}' is not a plan.", hint="Make one with: highside suggest --json > plan.json"
        ) from None


def result_row(
    given: Mapping[str, object], plan: PlanFile | None = None, rank: int = 1
) -> dict[str, object]:
    """A trial's result as a row of a run log; its start is now unless given.

    The material that the plan assumed is no reading: only the material in ``given`` is kept.

    Args:
        given: columns and values of the result; they win over the trial's settings.
        plan: whose trial was run.
        rank: of the trial.

    Raises:
        InputError: when the plan has no such trial, or nothing was given.
    """
    if not given:
        raise InputError(
            "no result was given.", hint="Give --grade and --recovery, or --from FILE."
        )
    row = {**({} if plan is None else plan.trial(rank)), **given}
    row.setdefault("started_at", datetime.now(UTC).isoformat(timespec="seconds"))
    return row
