"""Reads the forms of issued trials, and says beside which field each fault stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from optimizer.errors import HighsideError
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LABEL
from optimizer.service.pages.forms import MATERIAL, SETTING, result_row

READINGS = ("grade", "recovery", "grade_count", "deck_state", "started_at", "note")
"""Fields of the form for a result, besides settings and material."""
ANYWHERE = ""
"""Key of a fault that belongs to no field."""


@dataclass
class Entered:
    """A form that was sent, and what is wrong with it.

    Attributes:
        action: what the form does: ``result``, ``state`` or ``close``.
        about: id of the trial or the batch that the form belongs to.
        typed: the fields as they were typed, by name.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
        hint: what to do about a fault that belongs to no field.
        doubted: whether the result is only hard to believe, so that a second word stores it.
    """

    action: str
    about: str
    typed: Mapping[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    hint: str = ""
    doubted: bool = False

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
