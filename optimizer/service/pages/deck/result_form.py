"""Reads the forms of issued trials, and says beside which field each fault stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from optimizer.errors import HighsideError
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LABEL
from optimizer.service.pages.shared.forms import MATERIAL, SETTING, result_row, signature
from optimizer.service.pages.shared.sent_again import words_of
from optimizer.text.figures import exact_percent, level

READINGS = (
    "grade", "recovery", "grade_count", "middlings_share", "middlings_grade", "deck_state",
    "started_at", "note",
)  # fmt: skip
"""Fields of the form for a result, besides settings and material."""
ANYWHERE = ""
"""Key of a fault that belongs to no field."""


@dataclass(frozen=True)
class Beside:
    """One field of two results of the same trial.

    Attributes:
        name: the field in words.
        stored, typed: its text in the stored result and in the other one; empty where it has none.
        differs: whether the two say different things.
    """

    name: str
    stored: str
    typed: str
    differs: bool


@dataclass
class Entered:
    """A form that was sent, and what is wrong with it.

    Attributes:
        action: what the form does: ``result``, ``state``, ``withdraw``, ``close`` or, at the
            settings to run now, ``run``.
        about: id of the trial or the batch that the form belongs to; of a run its line.
        typed: the fields as they were typed, by name.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
        hint: what to do about a fault that belongs to no field.
        doubted: whether the result is only hard to believe, so that a second word stores it.
        beside: where the trial has a result already: the fields of the stored one and of this one.
    """

    action: str
    about: str
    typed: Mapping[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    hint: str = ""
    doubted: bool = False
    beside: tuple[Beside, ...] = ()

    def refuse(self, error: HighsideError) -> None:
        """Add the faults of an error; each reject that it holds belongs to a field."""
        by_end = {name.removeprefix(SETTING).removeprefix(MATERIAL): name for name in self.typed}
        for reject in getattr(error, "more", {}).get("rejects", ()):
            self.faults.setdefault(by_end.get(reject["field"], ANYWHERE), reject["reason"])
        for question in getattr(error, "questions", ()):
            self.faults.setdefault(by_end.get(question["field"], ANYWHERE), question["why"])
            self.doubted = True
        if not self.faults:
            self.faults[ANYWHERE], self.hint = error.message, error.hint


def read_result(entered: Entered, site: Site, line: str) -> dict[str, Any]:
    """The result that a form states, as columns and values; faults are added to ``entered``.

    A setting may not be left empty: the form states the planned value, and only the person at the
    deck knows what was run instead. A time that is left empty is the present time.
    """
    found: dict[str, Any] = {}
    settings = tuple(f"{SETTING}{name}" for name in site.space_of(line).names)
    material = tuple(f"{MATERIAL}{name}" for name in (LABEL, *site.material))
    for name in (*READINGS, *settings, *material):
        text = entered.typed.get(name, "")
        if not text.strip():
            if name in settings:
                entered.faults[name] = "Write the value that was run."
            continue
        try:  # one field at a time, so that each fault is found with its field
            row = result_row({"line": line, name: text}, site)
        except Problem as error:
            entered.faults[name] = f"{error.message} {error.hint}".strip()
            continue
        key = name.removeprefix(SETTING).removeprefix(MATERIAL)
        found[key] = row[key]
    return found


def read_signature(entered: Entered) -> str:
    """The name with which a form was signed; a fault is added to ``entered``."""
    try:
        return signature(entered.typed)
    except HighsideError as error:
        entered.faults["name"] = error.message
        return ""


def read_run(entered: Entered, site: Site) -> dict[str, Any]:
    """The run that a form at the settings to run now states, as a row of a log; faults are added to
    ``entered``."""
    read_result(entered, site, entered.about)
    if entered.faults:
        return {}
    try:
        return result_row(entered.typed, site)
    except Problem as error:
        entered.refuse(error)
        return {}


def beside(
    run: Mapping[str, Any], entered: Entered, row: Mapping[str, Any], site: Site
) -> tuple[Beside, ...]:
    """A stored result and one that was typed for the same trial, field by field.

    Args:
        run: columns and values of the stored run.
        entered: the form with the other result.
        row: what the form states, as ``read_result`` returns it.
        site: the plant.
    """
    found = []
    names = [*READINGS, *(name for name in entered.typed if name.startswith((SETTING, MATERIAL)))]
    for name in names:
        key = name.removeprefix(SETTING).removeprefix(MATERIAL)
        stored, typed = _shown(key, run.get(key), site), entered.typed.get(name, "").strip()
        same = key in row and _shown(key, row[key], site) == stored
        if stored or typed:
            found.append(Beside(words_of(name), stored, typed, bool(typed) and not same))
    return tuple(found)


def _shown(name: str, value: Any, site: Site) -> str:
    """A value of a run as people read it; a moment to the second, so that both results agree."""
    if value is None:
        return ""
    if name == "started_at":
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        return site.time_zone.shown(moment)
    if name in ("grade", "recovery", "middlings_share", "middlings_grade"):
        return f"{exact_percent(value)} %"
    return value if isinstance(value, str) else level(value)
