"""The page of versions: what each did, when and by whom; and going back to one."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.history.storage.event_log import Event
from optimizer.history.storage.version_log import VersionEntry
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load_options import LONGEST_REASON
from optimizer.operations.versions import Difference, what_restoring_changes
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.shared.forms import check_form, read_form, signature
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import Parts, parts_of, require_recorder, sender_of
from optimizer.text.sentences import Sentence, sentence

SHOWN = 100
"""Number of versions of a page."""
NAMED = 20
"""Largest number of runs, events or logs that are named; the others are counted."""
OVERTAKEN = (
    "Nothing was restored: the history has changed since you opened this page. Below stands what "
    "restoring would change now."
)
KNOWN = (
    "issued",
    "started",
    "skipped",
    "reopened",
    "closed",
    "corrected",
    "withdrawn",
    "reinstated",
)
"""Events that are told in a sentence, or counted: ``deed_issued`` and ``deeds_issued`` of the
texts, with the values of their JSON."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@dataclass(frozen=True)
class Told:
    """One version as the page tells it.

    Attributes:
        version, at: its number, and when it was made; None where that is not known.
        deeds: sentences that say what it did.
        who: names of the people who did it, as far as known.
    """

    version: int
    at: datetime | None
    deeds: Sequence[str]
    who: Sequence[str]


@routes.get("/versions")
async def versions(request: Request) -> Response:
    """The newest versions, or those up to the one that the address names."""
    parts, typed = parts_of(request), request.query_params.get("until", "")
    latest = parts.jobs.versions.latest()[1]
    until = whole(typed, "until") if typed.strip() else latest
    if latest is None or until is None:
        return render_for(request, "versions.html", "runs", versions=(), zone=None, older=None)
    told = await asyncio.to_thread(_told, parts, min(until, latest))
    oldest = told[-1].version if told else 0
    return render_for(
        request, "versions.html", "runs", versions=told, latest=latest,
        zone=parts.site.time_zone, older=oldest - 1 if oldest > 0 else None,
    )  # fmt: skip


@routes.get("/versions/{version}/restore")
async def ask(request: Request, version: str) -> Response:
    """The page that says what going back to a version would change, and asks for the word."""
    require_recorder(request)
    return await _asked(request, whole(version, "version"), {}, {})


@routes.post("/versions/{version}/restore")
async def go_back(request: Request, version: str) -> Response:
    """Make an earlier version the current one."""
    parts, given = parts_of(request), await read_form(request)
    check_form(request, given)
    require_recorder(request)
    number, reason = whole(version, "version"), given.get("reason", "").strip()
    sender = sender_of(request, signed=signature(given))
    if not 0 < len(reason) <= LONGEST_REASON:
        said = f"Say why, in at most {LONGEST_REASON} characters."
        return await _asked(request, number, given, {"reason": said}, 422)
    by = sender["signed"] or sender["who"]

    def restored() -> int | None:
        with parts.history.lock():
            if str(parts.history.version) != given.get("latest", ""):
                return None
            return restore(parts.history, number, parts.site, by=by, reason=reason).version

    made = await parts.recorder.write(restored)
    if made is None:
        return await _asked(request, number, given, {"": OVERTAKEN}, 409)
    about = {"restored": number, "version": made, "reason": reason}
    await parts.audit.note(did="restore", **sender, **about)
    return RedirectResponse("/versions", 303)


async def _asked(
    request: Request,
    version: int,
    typed: Mapping[str, str],
    faults: Mapping[str, str],
    status: int = 200,
) -> Response:
    """The page that asks before a version is restored."""
    parts = parts_of(request)
    latest = parts.jobs.versions.latest()[1]
    if latest is None or version >= latest:
        said = "is the current one" if version == latest else "does not exist"
        raise Problem(422, f"version {version} {said}.", code="no-such-version")
    found = await asyncio.to_thread(what_restoring_changes, parts.history, version)
    return render_for(
        request, "restore.html", "runs", status, difference=found, typed=typed, faults=faults,
        runs=_runs_told(found), undone=_undone(found), zone=parts.site.time_zone,
        open_access=parts.access.open,
    )  # fmt: skip


def _runs_told(found: Difference) -> list[tuple[str, int, Sequence[str]]]:
    """What would become of runs: a sentence, how many, and the first of them."""
    tables = (
        (sentence("runs_gone"), found.gone),
        (sentence("runs_back"), found.back),
        (sentence("runs_as_before"), found.changed),
    )
    told: list[tuple[str, int, Sequence[str]]] = []
    for said, runs in tables:
        first = runs.slice(0, NAMED).to_pylist()
        named = [sentence("run_of", run=run["run_id"], line=run["line"]) for run in first]
        told.append((said, len(runs), named))
    return told


def _undone(found: Difference) -> list[str]:
    """The events that would count no longer, counted by kind."""
    return [
        _counted(what, count)
        for what, count in found.events_gone.items()
        if what not in ("described", "restored")
    ]


# -- what versions did -----------------------------------------------------------------------


def _told(parts: Parts, until: int) -> list[Told]:
    """Up to ``SHOWN`` versions, newest first."""
    entries = parts.history.versions(SHOWN, until)
    trail = _trail(parts, entries)
    return [
        Told(each.version, each.at, deeds_of(each), _people(each, trail.get(each.version, ())))
        for each in entries
    ]


def deeds_of(entry: VersionEntry) -> Sequence[str]:
    """Sentences that say what a version did."""
    found: list[str] = []
    if entry.only is not None:
        ((line, _),) = entry.added.items()
        found.append(sentence("deed_run_added", run_id=entry.only, line=line))
    elif entry.added:
        lines = [sentence("so_many_of", number=n, line=line) for line, n in entry.added.items()]
        told = {"count": sum(entry.added.values()), "lines": lines}
        names = [f"{name} ({count})" for name, count in entry.sources.items()]
        if names:
            found.append(sentence("deed_runs_loaded", **told, names=_some(names)))
        else:
            found.append(sentence("deed_runs_added", **told))
    found += _events_told(entry.events)
    if found:
        return found
    return {
        "merged": [sentence("deed_merged")],
        "declared": [sentence("deed_declared")],
        "other": [sentence("deed_other", operation=entry.operation or "?")],
    }.get(entry.deed, [sentence("deed_version_restored")] if entry.operation == "RESTORE" else [])


def _events_told(events: Sequence[Event]) -> list[str]:
    """Sentences that say what events did; those beyond ``NAMED`` are counted by kind."""
    found = [_sentence(event) for event in events[:NAMED]]
    rest = Counter(event.what for event in events[NAMED:])
    return found + [
        sentence("deed_and", counted=_counted(what, count)) for what, count in sorted(rest.items())
    ]


def _counted(what: str, count: int) -> str:
    """Events of a kind, counted."""
    if what in KNOWN:
        return sentence(f"deeds_{what}", count=count)
    return f"{count} {what}"


def _sentence(event: Event) -> str:
    about = event.about
    if event.what == "restored":
        why = {"reason": about["reason"]} if about.get("reason") else {}
        return sentence("deed_restored_why" if why else "deed_restored",
                        version=about["version"], **why)  # fmt: skip
    try:
        known = event.what in (*KNOWN, "described")
        return sentence(f"deed_{event.what}", **about) if known else event.what
    except KeyError:  # written by an earlier version of highside
        return event.what


def _some(names: Sequence[str]) -> Sequence[str] | Sentence:
    more = len(names) - NAMED
    if more <= 0:
        return list(names)
    return sentence("some_and_more", names=list(names[:NAMED]), count=more)


def _people(entry: VersionEntry, noted: Sequence[Mapping[str, Any]]) -> list[str]:
    """Who made a version: those whom its events name, and those of the audit trail."""
    named = [event.by for event in entry.events]
    named += [each.get("signed") or each.get("who") for each in noted]
    return list(dict.fromkeys(name for name in named if name))


def _trail(parts: Parts, entries: Sequence[VersionEntry]) -> dict[int, list[Mapping[str, Any]]]:
    """The recent entries of the audit trail by the version that they made.

    A load that was followed by a merge of files is noted with the version of the merge.
    """
    merged = {each.version for each in entries if each.deed == "merged"}
    alone: dict[str | None, int] = {
        each.only: each.version for each in entries if each.only is not None
    }
    found: dict[int, list[Mapping[str, Any]]] = {}
    for each in parts.audit.recent():
        version = each.get("version")
        if (
            each.get("did") == "result"
        ):  # noted with a version that may be later than that of the run
            found.setdefault(alone.get(each.get("trial"), -1), []).append(each)
        elif isinstance(version, int) and each.get("did") == "record":
            found.setdefault(version - (version in merged), []).append(each)
    return found
