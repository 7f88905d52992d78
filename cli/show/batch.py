"""Writes issued batches, and what finished ones taught, as text."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import Any

from cli.show.plan import plan
from cli.show.text import bold, interval, wrap
from optimizer.text.figures import UNKNOWN, level, minutes, percent
from optimizer.text.masses import feed_key, mass, mass_symbol, mass_unit_of
from optimizer.text.setting_names import settings_told

SURPRISING, VERY = 2.0, 3.0
"""Sizes of z from which a result is marked."""


def issued(document: Mapping[str, Any]) -> str:
    """The text of a plan that was just issued, a ``highside.batch/1`` document."""
    batch = document["batch"]
    first = shlex.quote(document["trials"][0]["trial"])
    return "\n".join(
        [
            plan(document["plan"], batch),
            "",
            bold(f"Issued as {batch}."),
            f"  Print it:  highside report --batch {shlex.quote(batch)} --sheet sheet.pdf",
            f"  A result:  highside record --trial {first} --grade 98.7% --recovery 93.1%",
        ]
    )


def batch(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.batch/1`` document: its trials, planned, run and measured."""
    units = document["plan"]["units"]
    by = f" by {document['issued_by']}" if document["issued_by"] else ""
    state = "open" if document["closed_at"] is None else f"closed {_day(document['closed_at'])}"
    lines = [
        bold(f"Batch {document['batch']}: {state}"),
        wrap(
            f"Issued {_day(document['issued_at'])}{by} for {document['line']}, from history "
            f"version {document['history_version']}."
            if document["history_version"] is not None
            else f"Issued {_day(document['issued_at'])}{by} for {document['line']}, without a "
            "history."
        ),
    ]
    planned = {each["order"]: each for each in document["plan"]["recommendations"]}
    for trial in document["trials"]:
        lines += ["", *_trial(trial, planned.get(trial["order"], {}), units)]
    return "\n".join(lines)


def batches(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.batches/1`` document: what is open, and what was taught."""
    found = document["batches"]
    if not found:
        return "No plan was issued yet. Issue one with: highside suggest --issue"
    is_open = [each for each in found if each["closed_at"] is None]
    parts = [batch(each) for each in is_open] or ["No batch is open."]
    if document["taught"]:
        parts.append(
            "\n".join([bold("What finished batches taught"), *_taught(document["taught"])])
        )
    return "\n\n".join(parts)


def _day(moment: str) -> str:
    return f"{moment[:10]} {moment[11:16]} UTC"


def _trial(
    trial: Mapping[str, Any], planned_as: Mapping[str, Any], units: Mapping[str, str]
) -> list[str]:
    """The lines about one trial, which the plan has as ``planned_as``."""
    why = f", {trial['reason']}" if "reason" in trial else ""
    head = f"{trial['trial']} (rank {trial['rank']}): {trial['state']}{why}"
    planned, run = trial["planned"], trial["run"]
    values = {
        name: level(value)
        + (f" (run: {level(run[name])})" if run and run.get(name) not in (None, value) else "")
        for name, value in planned.items()
    }
    told = settings_told(values, units)
    lines = [bold(head), wrap(told, "  ")]
    expected, measured = trial["expected"], trial["measured"]
    for name in ("grade", "recovery"):
        said = f"{name}: expected {interval(expected[name])} %"
        if measured is not None and measured[name] is not None:
            said += f", measured {percent(measured[name])} %{_mark(trial['surprise'], name)}"
        if expected[name]["mean"] is not None or measured is not None:
            lines.append(f"  {said}")
    return [*lines, *_middlings(planned_as.get("middlings", {}), measured or {})]


def _middlings(expected: Mapping[str, Any], measured: Mapping[str, Any]) -> list[str]:
    """The lines about the middlings of a trial, where they are expected or were measured."""
    lines = []
    for key, name in (("share", "middlings, share of the feed"), ("grade", "grade of middlings")):
        said = [f"expected {interval(expected[key])} %"] if key in expected else []
        if (read := measured.get(f"middlings_{key}")) is not None:
            said.append(f"measured {percent(read)} %")
        if said:
            lines.append(f"  {name}: {', '.join(said)}")
    return lines


def _mark(surprise: Mapping[str, float | None] | None, name: str) -> str:
    """The surprise of a reading, and a word where it is surprising."""
    z = None if surprise is None else surprise[name]
    if z is None:
        return ""
    word = ", very surprising" if abs(z) > VERY else ", surprising" if abs(z) > SURPRISING else ""
    return f" ({z:+.1f} sd{word})"


def _taught(lessons: Sequence[Mapping[str, Any]]) -> list[str]:
    """A table with one line for each finished batch."""
    unit = mass_unit_of(lessons[0])
    heads = [
        "batch",
        "done",
        "failed",
        "met",
        "best so far %",
        "surprise",
        f"use {mass_symbol(unit)}",
        "min",
    ]
    rows = []
    for each in lessons:
        best = each["best_so_far"]
        counts = [str(each[key]) for key in ("done", "failed")]
        rows.append(
            [
                each["batch"],
                *counts,
                "-" if each["met"] is None else str(each["met"]),
                "-" if best is None else f"{percent(best['recovery'])} at {percent(best['grade'])}",
                _sizes(each["surprise"]),
                mass(each[feed_key(unit)], unit),
                minutes(each["minutes"]),
            ]
        )
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    table = [
        "  ".join([row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:])])
        for row in (heads, *rows)
    ]
    note = (
        "Best so far: the highest recovery read that met the grade, and its grade. Surprise: root "
        "mean square of grade and of recovery, about 1 where the plan's intervals are right."
    )
    return [*table, wrap(note)]


def _sizes(surprise: Mapping[str, float | None]) -> str:
    sizes = [UNKNOWN if z is None else f"{z:.1f}" for z in surprise.values()]
    return " ".join(sizes)
