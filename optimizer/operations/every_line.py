"""The command ``suggest --every-line``: makes one plan for each line.

Each plan is equal to the plan that ``suggest`` makes for that line. Plans of different lines share
only the snapshot, so they can be made in parallel, in processes or on a cluster (``parallel``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError, LimitError
from optimizer.parallel import run_all
from optimizer.planning.planner import suggest

if TYPE_CHECKING:
    from optimizer.history.snapshot import Snapshot
    from optimizer.planning.plan import Plan
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site


@dataclass(frozen=True)
class Plans:
    """The plans of all lines.

    Attributes:
        history_version: version on which all plans are made; None when the history is empty.
        plans: one plan for each line, in alphabetical order of the lines.
        refused: names of the lines without a plan, each with the reason.
    """

    history_version: int | None
    plans: tuple[Plan, ...]
    refused: tuple[tuple[str, LimitError], ...]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.plans/1`` document."""
        return {
            "schema": "highside.plans/1",
            "history_version": self.history_version,
            "plans": [plan.as_dict() for plan in self.plans],
            "refused": [{"line": line, **error.as_dict()} for line, error in self.refused],
        }


@dataclass(frozen=True)
class _Task:
    """Everything that a worker needs to make the plan of one line."""

    snapshot: Snapshot
    site: Site
    brief: Brief
    seed: int


def suggest_every_line(
    snapshot: Snapshot,
    site: Site,
    brief: Brief,
    *,
    seed: int = 0,
    scheduler: str | None = None,
    workers: int | None = None,
) -> Plans:
    """Makes a plan for each line that has runs, all on one version of the history.

    Args:
        snapshot: the history at a version. Worker processes open it themselves, so its location
            must be valid for them, too: on other machines, a shared folder or a URI.
        site: the plant.
        brief: material, grade and limits for every line; the brief must not name a line.
        seed: seed of each plan.
        scheduler, workers: where the work is done, as for ``run_all``.

    Raises:
        InputError: when the brief names a line, or a cluster cannot be reached.
        HistoryError: when the history cannot be read.
    """
    if brief.line is not None:
        raise InputError(
            f"the brief is for line '{brief.line}', but every line was asked for.",
            hint="Leave out one of the two.",
        )
    lines = snapshot.lines
    tasks = [_Task(snapshot, site, brief.model_copy(update={"line": n}), seed) for n in lines]
    found = dict(zip(lines, run_all(_plan, tasks, scheduler, workers), strict=True))
    return Plans(
        snapshot.version,
        tuple(plan for plan in found.values() if not isinstance(plan, LimitError)),
        tuple((line, error) for line, error in found.items() if isinstance(error, LimitError)),
    )


def _plan(task: _Task) -> Plan | LimitError:
    """The plan of one line, or the error that prevents it; other lines must still get plans."""
    try:
        return suggest(task.snapshot, task.site, task.brief, seed=task.seed)
    except LimitError as error:
        return error
