"""The commands ``correct`` and ``withdraw``: change one run of a history, with a reason.

In come a run's id and what is to change; out comes the change as ``highside.changes/1`` tells it.
The former run stays in the earlier versions and in the record of the change.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from itertools import chain
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.changes import (
    Changes,
    Values,
    Why,
    as_values,
    runs_of,
    told,
    withdrawn_runs,
)
from optimizer.history.start_times import latest_start
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.settling.correcting import corrected_run
from optimizer.intake.settling.load import until_first
from optimizer.intake.settling.load_options import checked_reason
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot
    from optimizer.history.storage.event_log import Event

GROUPS = ("settings", "material")
"""Keys whose value may be a mapping of several fields; ``material`` alone is the material's
label."""
MOST_COMPARED = 20_000
"""Largest number of run ids that are compared with an unknown one."""


def correct(
    history: History,
    site: Site | None,
    run_id: str,
    values: Mapping[str, Any],
    *,
    reason: str,
    by: str | None = None,
    line: str | None = None,
) -> Changes:
    """Corrects values of a run; what is not given stays.

    Args:
        history: the run history.
        site: the plant; the defaults when None.
        run_id: id of the run.
        values: new values by column of a log, such as ``{"grade": "98.2%", "air": 33}``; several
            may stand in a mapping under ``settings`` or ``material``. None empties a column.
        reason: why the run is corrected.
        by: who corrects it; None where that is not known.
        line: line of the run; needed where several lines have a run with this id.

    Returns:
        The one change that was made.

    Raises:
        ValueRefused: when a value fails the checks of a loaded row.
        InputError: when there is no such run or several, there is no reason, or nothing would
            change.
        HistoryError: when the history is damaged or locked.
    """
    given, plant = flat_values(values), site or Site()
    if not given:
        raise InputError("no value to correct was given.", code="no-value")

    def made(snapshot: Snapshot, why: Why) -> Changes:
        run, units = _run(snapshot, run_id, line), StoredUnits(plant, snapshot.description)
        after = corrected_run(run, given, units, latest_start(why.at))
        (event,) = why.corrected(run, after)
        if not event.about["after"]:
            raise InputError(
                f"run '{run_id}' has these values already: nothing would change.",
                code="nothing-changes",
            )
        version = history.change([event], snapshot.version, replaced=after)
        return _told(event, version, units)

    return _changed(history, reason, by, made)


def withdraw(
    history: History,
    site: Site | None,
    run_id: str,
    *,
    reason: str,
    by: str | None = None,
    line: str | None = None,
) -> Changes:
    """Takes a run out of the history; its log loaded again does not bring it back.

    Arguments, result and errors are those of ``correct``, where they apply.
    """
    plant = site or Site()

    def made(snapshot: Snapshot, why: Why) -> Changes:
        run = _run(snapshot, run_id, line)
        (values,) = as_values(run)
        event = why.withdrawn(values)
        left_out = {values["line"]: [values["run_id"]]}
        units = StoredUnits(plant, snapshot.description)
        return _told(event, history.change([event], snapshot.version, left_out=left_out), units)

    return _changed(history, reason, by, made)


def reinstate(
    history: History,
    site: Site | None,
    run_id: str,
    *,
    reason: str,
    by: str | None = None,
    line: str | None = None,
) -> Changes:
    """Takes a withdrawn run back into the history, as it was.

    Arguments and result are those of ``withdraw``.

    Raises:
        InputError: when the run is not withdrawn, its id is by now that of another run, or there
            is no reason.
        HistoryError: when the history is damaged or locked.
    """
    plant = site or Site()

    def made(snapshot: Snapshot, why: Why) -> Changes:
        run = _withdrawn(snapshot, run_id, line)
        event, added = why.reinstated(run), runs_of([run])
        units = StoredUnits(plant, snapshot.description)
        return _told(event, history.change([event], snapshot.version, added=added), units)

    return _changed(history, reason, by, made)


def flat_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values by column, from values that may stand in mappings under ``GROUPS``.

    Raises:
        InputError: when a column is given twice, or a value is not plain.
    """
    found: dict[str, Any] = {}
    grouped = [v for n, v in values.items() if n in GROUPS and isinstance(v, Mapping)]
    plain = {n: v for n, v in values.items() if not (n in GROUPS and isinstance(v, Mapping))}
    for name, value in chain(plain.items(), *(group.items() for group in grouped)):
        if name in found:
            raise InputError(f"'{name}' is given twice.")
        if isinstance(value, bool) or not isinstance(value, str | int | float | None):
            raise InputError(f"'{name}': expected text, a number or nothing.")
        found[name] = value
    return found


def _changed(
    history: History, reason: str, by: str | None, made: Callable[[Snapshot, Why], Changes]
) -> Changes:
    """Makes a change on the latest version, again where another commit comes first."""
    reason = checked_reason(reason)

    def work() -> Changes:
        with history.lock():
            return made(history.at(), Why(history.clock(), by, reason))

    return until_first(work)


def _told(event: Event, version: int, units: StoredUnits) -> Changes:
    return told([event.at_version(version)], units)


# -- finding a run ---------------------------------------------------------------------------


def _run(snapshot: Snapshot, run_id: str, line: str | None) -> pa.Table:
    """The stored run with an id, one row with all stored columns.

    Raises:
        InputError: when there is no such run, or several lines have one.
    """
    found = _present(snapshot, run_id, line) or _present(snapshot, run_id)
    if not found:
        raise _unknown(snapshot, run_id)
    where = _only_line(run_id, list(found), line)
    return found[where]


def _present(snapshot: Snapshot, run_id: str, line: str | None = None) -> dict[str, pa.Table]:
    """The stored runs with an id on a line, or on any line when None, by line."""
    lines = set()
    for batch in snapshot.batches(["run_id", "line"], None if line is None else [line]):
        chosen = batch.filter(pc.equal(batch.column("run_id"), run_id))
        lines |= set(chosen.column("line").to_pylist())
    found = {}
    for batch in snapshot.batches(None, sorted(lines)) if lines else ():
        chosen = pa.Table.from_batches([batch]).filter(pc.equal(batch.column("run_id"), run_id))
        for row in range(len(chosen)):
            found[chosen["line"][row].as_py()] = chosen.slice(row, 1).combine_chunks()
    return dict(sorted(found.items()))


def _withdrawn(snapshot: Snapshot, run_id: str, line: str | None) -> Values:
    """The withdrawn run with an id, as it was.

    Raises:
        InputError: when there is none, several lines have one, or the id is another run's by now.
    """
    withdrawn = withdrawn_runs(snapshot.events)
    lines = [name for name, known in withdrawn if known == run_id]
    present = _present(snapshot, run_id)
    if not lines or (line is not None and line not in lines):
        if line in present or (line is None and present):
            raise InputError(f"run '{run_id}' is not withdrawn.", code="not-withdrawn")
        ids = (known for _, known in withdrawn)
        raise InputError(
            f"no run '{run_id}' was withdrawn{'' if line is None else f' on line {line!r}'}.",
            code="unknown-run",
            hint=_nearest(run_id, ids),
        )
    where = _only_line(run_id, sorted(lines), line)
    if where in present:
        raise InputError(
            f"run '{run_id}' of line '{where}' cannot be taken back: the id is by now that of "
            "another run.",
            code="id-taken",
            hint="Withdraw that run first, or load the old one under an id of its own.",
        )
    return withdrawn[where, run_id]


def _only_line(run_id: str, lines: list[str], line: str | None) -> str:
    """The line that is meant, of those that have a run with an id.

    Raises:
        InputError: when none was named and several have one, or the named one has none.
    """
    listed = ", ".join(f"'{name}'" for name in lines)
    if line is None and len(lines) > 1:
        raise InputError(
            f"run '{run_id}' is on several lines: {listed}.",
            code="several-lines",
            hint="Name the line with --line NAME.",
        )
    if line is not None and line not in lines:
        raise InputError(
            f"line '{line}' has no run '{run_id}'.",
            code="unknown-run",
            hint=f"It is on line {listed}.",
        )
    return lines[0] if line is None else line


def _unknown(snapshot: Snapshot, run_id: str) -> InputError:
    """The error for an id that no run has."""
    if any(known == run_id for _, known in withdrawn_runs(snapshot.events)):
        return InputError(
            f"run '{run_id}' is withdrawn.",
            code="withdrawn-run",
            hint=f"'highside withdraw {run_id} --undo --reason TEXT' takes it back.",
        )
    batches = snapshot.batches(["run_id"])
    ids = chain.from_iterable(batch.column("run_id").to_pylist() for batch in batches)
    return InputError(
        f"there is no run '{run_id}'.", code="unknown-run", hint=_nearest(run_id, ids)
    )


def _nearest(run_id: str, known: Iterable[str]) -> str:
    """A hint with the known id closest to an unknown one, or where to find all ids."""
    # Of very many ids, those that begin alike are compared.
    ids = list(dict.fromkeys(known))
    if len(ids) > MOST_COMPARED:
        ids = [each for each in ids if each[:1] == run_id[:1]][:MOST_COMPARED]
    close = difflib.get_close_matches(run_id, ids, n=1, cutoff=0.6)
    close = close or [each for each in ids if len(run_id) > 3 and each.startswith(run_id)]
    if close:
        return f"Did you mean '{close[0]}'?"
    return "'highside history --export runs.csv' lists the ids of all runs."
