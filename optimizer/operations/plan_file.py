"""Reads a plan from a file, and turns its trials into rows of a run log."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.errors import InputError
from optimizer.plant.gates import gates_among
from optimizer.text.headings import split_unit, with_unit

# Keys of a plan's goal, and of its prices, that those of a brief do not have.
_NOT_IN_A_BRIEF = ("gain_unit", "mass_unit")


@dataclass(frozen=True)
class PlanFile:
    """A plan as ``suggest --json`` prints it.

    Attributes:
        path: path of the file.
        line: name of the plan's line; None when it names none.
        units: unit of each setting, by name.
        trials: settings of each trial, by rank.
        brief: the brief from which the plan was made; for a plan that does not contain its brief,
            the plan's goal and material.
        seed: seed of all random draws in the plan.
    """

    path: Path
    line: str | None
    units: Mapping[str, str]
    trials: Mapping[int, Mapping[str, float]]
    brief: Mapping[str, Any]
    seed: int

    def trial(self, rank: int) -> dict[str, object]:
        """The line and the settings of one trial as a row of a run log.

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
    """Reads a plan as ``suggest --json`` prints it.

    Raises:
        InputError: when the file cannot be read or is not a plan.
    """
    path = Path(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        material, goal = document.get("material", {}), document.get("goal", {})
        asked = _of_a_brief(goal)
        if "prices" in asked:
            asked["prices"] = _of_a_brief(asked["prices"])
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
    """The result of a trial as a row of a run log.

    The current time becomes the start, unless ``given`` has one. The material that the plan assumed
    is not a measurement, so only material values in ``given`` are kept.

    Args:
        given: columns and values of the result; they take precedence over the trial's settings.
        plan: the plan whose trial was run, from which line and settings are taken; may be None.
        rank: rank of the trial in the plan.

    Raises:
        InputError: when the plan has no such trial, or nothing was given.
    """
    if not given:
        raise InputError(
            "no result was given.", hint="Give --grade and --recovery, or --from FILE."
        )
    planned = {} if plan is None else plan.trial(rank)
    headings = {split_unit(heading)[0]: heading for heading in planned}
    for heading in given:  # one value for all gates takes the place of what was planned for each
        for gate in gates_among(headings, split_unit(heading)[0]):
            del planned[headings[gate]]
    row = {**planned, **given}
    row.setdefault("started_at", datetime.now(UTC).isoformat(timespec="seconds"))
    return row


def _of_a_brief(table: Mapping[str, Any]) -> dict[str, Any]:
    """The members of a plan's table that the same table of a brief has."""
    return {k: v for k, v in table.items() if k not in _NOT_IN_A_BRIEF and v is not None}
