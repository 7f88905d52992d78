"""``suggest --issue``: a plan is made on the latest version, and its trials get their numbers."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from optimizer.campaign import Batch, reading_noise
from optimizer.errors import InputError, LimitError, Overtaken
from optimizer.history.issued import ISSUED
from optimizer.history.issued_numbers import ORDERS, next_number
from optimizer.history.schema import schema_of
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.event_log import Event
from optimizer.landscape import today_of
from optimizer.operations.batches import TRIES, batch, pause
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation, situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.trial_numbers import id_of_batch, line_of_batch

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimizer.history.history import History

    Progress = Callable[[str], None]

MOST_PLANS = 4
"""Number of times that a plan is made to be issued while others load runs of its line. The last one
is made while this machine's other loads wait."""


def issue(
    history: History,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    seed: int = 0,
    by: str | None = None,
    progress: Progress | None = None,
) -> Batch:
    """Makes a plan on the latest version and issues it: its trials get their numbers.

    When runs or batches of the line are added meanwhile, the plan is made again; other commits do
    not matter to it.

    Args:
        history: the run history; it may be empty.
        site: description of the plant; None for the defaults.
        brief: what is wanted today; None for the defaults.
        seed: seed of all random numbers.
        by: who issues the plan; None where that is not known.
        progress: function that is called with a line of text at each stage.

    Raises:
        InputError: when the brief names something that the site lacks, or the history is empty and
            no line is named.
        LimitError: when the limits leave nothing to recommend.
        HistoryError: when the history cannot be read or written.
    """
    site = site or Site()
    brief = with_line(brief or Brief(), site)
    for plans_left in reversed(range(MOST_PLANS)):
        with nullcontext() if plans_left else history.lock():
            snapshot = history.at()
            about = plan_to_issue(situation_of(snapshot, site, brief, seed=seed, progress=progress))
            version = issue_plan(history, site, snapshot, about, by)
        if version is not None:
            return batch(history, id_of_batch(about["line"], about["number"]), site)
    raise Overtaken(history.location)


def with_line(brief: Brief, site: Site) -> Brief:
    """The brief with its line as logs write it: a site with one line needs none to be named."""
    line = brief.line
    if line is None and len(site.file.lines) == 1:
        (line,) = site.file.lines
    return brief if line is None else brief.model_copy(update={"line": line.strip()})


def plan_to_issue(situation: Situation) -> dict[str, Any]:
    """Makes the plan of a situation, as JSON with everything that is stored when it is issued."""
    plan = plan_of(situation)
    return {
        "line": plan.line,
        "seed": plan.seed,
        "history_version": plan.history_version,
        "brief": plan.brief,
        "plan": plan.as_dict(),
        "today": today_of(situation).as_dict(),
        "noise": reading_noise(situation, plan),
        ORDERS: sorted(each.order for each in plan.recommendations),
    }


def issue_plan(
    history: History, site: Site, snapshot: Snapshot, about: dict[str, Any], by: str | None
) -> int | None:
    """Issues a plan that was made from a snapshot.

    Args:
        about: what ``plan_to_issue`` returned; it gets the id of the batch.

    Returns:
        The version after it; None when the plan must be made again, since runs or batches of its
        line were added after the snapshot.

    Raises:
        InputError: when the plan has no line.
        LimitError: when the plan has no trial.
    """
    if not about["line"]:
        raise InputError(
            "an issued plan needs a line, and the history is empty.",
            code="no-line",
            hint="Give it with --line NAME.",
        )
    if not about["plan"]["recommendations"]:
        raise LimitError("the plan has no trial that could be issued.", code="nothing-to-issue")
    now, line = snapshot, about["line"]
    for _ in range(TRIES):
        about["number"] = next_number(now, line)
        about["batch"] = id_of_batch(line, about["number"])
        event = Event(ISSUED, history.clock(), by, about)
        try:
            return history.note([event], now.version, schema_of(site))
        except Overtaken:
            pause()
            now = history.at()
            if _basis(now, line) != _basis(snapshot, line):
                return None
    raise Overtaken(history.location)


def _basis(snapshot: Snapshot, line: str) -> tuple[object, ...]:
    """What a plan of a line depends on that other commits may change: its runs, its events."""
    events = [e for e in snapshot.events if _is_of(line, e)]
    return (*events, _Runs(snapshot.runs(None, [line])))


def _is_of(line: str, event: Event) -> bool:
    return line in (event.about.get("line"), line_of_batch(str(event.about.get("batch", ""))))


class _Runs:
    """Runs as a value that equals runs of the same content."""

    def __init__(self, table: pa.Table) -> None:
        self.table = table

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Runs) and self.table.equals(other.table)

    __hash__ = None  # type: ignore[assignment]
