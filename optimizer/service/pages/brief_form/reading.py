"""Reads the fields of the form to a brief; each fault stands beside its field."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from optimizer.errors import HighsideError, InputError, LimitError
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.service.exchange.typed_numbers import fraction, measured, number, whole
from optimizer.service.pages.brief_form.fields import (
    MATERIAL,
    MOST_COUPLINGS,
    Field,
    Section,
    fields_of,
    is_of_brief,
    sections_of,
)

ANYWHERE = ""
"""Key of a fault that belongs to no field."""
SOURCE = "brief"
LEAST_CONFIDENCE = 0.5
MOST_FAULTS = 50


@dataclass
class BriefForm:
    """The form for a line, as it was filled in.

    Attributes:
        line: name of the line.
        sections: the parts of the form.
        typed: the fields of the brief as they were typed, by name.
        brief: the brief that they state, without those that cannot be used.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
    """

    line: str
    sections: tuple[Section, ...]
    typed: Mapping[str, str]
    brief: dict[str, Any] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    most_couplings = MOST_COUPLINGS

    def refuse(self, error: HighsideError) -> None:
        """Put what an error says beside the field that it is about."""
        said = error.message.removeprefix(f"{SOURCE}: ").removeprefix(f"{error.where}: ")
        said = said.replace("Input should be", "it should be")  # the words of the library beneath
        self.say(self._place_of(error.where), f"{said} {error.hint}")

    def say(self, place: str, said: str) -> None:
        """Put a sentence beside a field, where none stands yet."""
        self.faults.setdefault(place, f"{said[:1].upper()}{said[1:]}".strip())

    def _place_of(self, where: str) -> str:
        """Name of the field for a path of the brief: the field of the path, else the first of
        those that the path leads to."""
        by_path = {".".join(each.path): name for name, each in fields_of(self.sections).items()}
        if not where or where in by_path:
            return by_path.get(where, ANYWHERE)
        inside = (name for path, name in by_path.items() if path.startswith(f"{where}."))
        return next(inside, ANYWHERE)

    def entered(self, section: Section) -> int:
        """Number of fields of a section that are filled in."""
        return sum(each.name in self.typed for each in section.fields)

    def is_wrong(self, section: Section) -> bool:
        """Whether a fault stands in a section."""
        return any(each.name in self.faults for each in section.fields)


def empty_form(site: Site, line: str, typed: Mapping[str, str], more: int = 0) -> BriefForm:
    """The form with fields filled in that nobody has to answer for yet.

    Args:
        site: the plant.
        line: name of the line.
        typed: values of fields by name; those that this line has no field for are left out.
        more: number of couplings to make room for, besides those that are filled in.
    """
    numbered, rows = _numbered(typed)
    sections = sections_of(site, line, max(1, rows + more))
    known = fields_of(sections)
    return BriefForm(line, sections, {n: text for n, text in numbered.items() if n in known})


def read_form_of_brief(asked: Mapping[str, str], site: Site) -> BriefForm:
    """The form for a line, and the brief that its fields state.

    Args:
        asked: the fields by name, ``line`` among them; fields that belong to no brief are passed
            over.
        site: the plant.
    """
    line, (typed, rows) = asked["line"], _numbered(asked)
    form = BriefForm(line, sections_of(site, line, max(1, rows)), typed)
    known, found = fields_of(form.sections), dict[str, Any]()
    for name, text in typed.items():
        if name not in known:
            form.say(ANYWHERE, f"The form has no field '{name[:60]}'.")
            continue
        try:
            _put(found, known[name].path, READERS[known[name].kind](text, known[name]))
        except Problem as error:
            form.say(name, f"{error.message} {error.hint}")
    if "couplings" in found:
        found["couplings"] = [found["couplings"].get(str(k), {}) for k in range(rows)]
    form.brief = {"line": line, **found}
    _check_ranges(form)
    _check_goal(form)
    _check_couplings(form)
    _check_by_library(form, site)
    return form


def _numbered(asked: Mapping[str, str]) -> tuple[dict[str, str], int]:
    """The filled fields of the brief, with couplings numbered without gaps, and how many couplings
    there are."""
    typed = {name: text.strip() for name, text in asked.items() if is_of_brief(name)}
    typed = {name: text for name, text in typed.items() if text}
    rows: dict[str, str] = {}
    found = {}
    for name, text in typed.items():
        head, _, rest = name.partition(".")
        row, _, end = rest.partition(".")
        if head == "couplings" and row.isdecimal() and end:
            name = f"couplings.{rows.setdefault(row, str(len(rows)))}.{end}"
        found[name] = text
    return found, len(rows)


def _put(brief: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    """Set the value that a path of a brief leads to."""
    *tables, key = path
    table: Any = brief
    for name in tables:
        table = table.setdefault(name, {}) if isinstance(table, dict) else None
    if not isinstance(table, dict) or isinstance(table.get(key), dict):
        raise Problem(
            422, "Both a value and a range are given.", code="value-and-range",
            hint="Empty one of the two.",
        )  # fmt: skip
    table[key] = value


def _check_ranges(form: BriefForm) -> None:
    """Whether each range of the material has both ends."""
    material = form.brief.get("material", {})
    for name, value in list(material.items()):
        for end in ("low", "high"):
            if isinstance(value, dict) and end not in value:
                place = f"{MATERIAL}{name}.{end}"
                if place not in form.faults:
                    form.say(place, "A range needs both ends.")
                material.pop(name, None)


def _check_goal(form: BriefForm) -> None:
    """Whether goal and prices belong together, in the words of the form."""
    goal = form.brief.get("goal", {})
    prices = [name for name in form.typed if name.startswith("goal.prices.")]
    wanted = "goal.prices.product"
    if goal.get("maximise") == "value" and wanted not in form.typed:
        form.faults[wanted] = "The value of an hour needs the price of the product."
    if goal.get("maximise") != "value" and prices:
        form.faults["goal.maximise"] = (
            "Prices count only where the goal is the value of an hour: choose it, or empty the "
            "prices."
        )
    if "goal.maximise" in form.faults or wanted in form.faults:
        goal.pop("prices", None)
        goal.pop("maximise", None)


def _check_couplings(form: BriefForm) -> None:
    """Whether each coupling has coefficients and an end, in the words of the form."""
    kept = []
    for k, coupling in enumerate(form.brief.get("couplings", [])):
        row = f"couplings.{k}"
        if any(name.startswith(f"{row}.") for name in form.faults):
            continue
        if not coupling.get("terms"):
            first = next(n for n in fields_of(form.sections) if n.startswith(f"{row}.terms."))
            form.faults[first] = "Write the coefficient of at least one setting."
        elif "at_least" not in coupling and "at_most" not in coupling:
            form.faults[f"{row}.at_least"] = "Write what the sum is at least, at most, or both."
        else:
            kept.append(coupling)
    if "couplings" in form.brief:
        form.brief["couplings"] = kept


def _check_by_library(form: BriefForm, site: Site) -> None:
    """Add what the library finds wrong with the brief. It names one fault at a time, so what is
    wrong is taken out and the rest is checked again."""
    left = form.brief
    for _ in range(MOST_FAULTS):
        try:
            Brief.from_dict(left, SOURCE).check_names(site).region(site.space_of(form.line))
            return
        except (InputError, LimitError) as error:
            form.refuse(error)
            if not error.where:
                return
            path = error.where.split(".")
            left = _without(left, path[:2] if path[0] == "material" else path)


def _without(brief: Mapping[str, Any], path: list[str]) -> dict[str, Any]:
    """A brief without what a path leads to."""
    head, *rest = path
    inner = brief.get(head)
    if not rest or not isinstance(inner, Mapping):
        return {name: value for name, value in brief.items() if name != head}
    return {**brief, head: _without(inner, rest)}


def _per_cent(text: str, each: Field) -> float:
    value = fraction(text, each.called)
    least = LEAST_CONFIDENCE if each.path[-1] == "confidence" else 0.0
    if not least <= value < 1.0:
        least_said = f"from {100 * least:g} to" if least else "only"
        raise Problem(
            422, f"{each.called}: {text} cannot be asked for; {least_said} below 100 %.",
            code="not-per-cent",
        )  # fmt: skip
    return value


def _text(text: str, each: Field) -> str:
    if len(text) > LONGEST_NAME:
        said = f"{each.called}: expected 1 to {LONGEST_NAME} characters."
        raise Problem(422, said, code="too-long")
    return text


def _choice(text: str, each: Field) -> str:
    known = [value for value, _ in each.choices if value]
    if text not in (*known, *ALWAYS.get(each.name, ())):
        said = f"{each.called}: '{text[:40]}' is none of the choices."
        raise Problem(422, said, code="no-choice")
    return text


ALWAYS = {"goal.maximise": ("recovery",), "goal.hold": ("blend",)}
"""Values that the form leaves empty, since they are assumed, and that an address may state."""
READERS: Mapping[str, Callable[[str, Field], Any]] = {
    "number": lambda text, each: number(text, each.called),
    "signed": lambda text, each: number(text, each.called),
    "whole": lambda text, each: whole(text, each.called),
    "measured": lambda text, each: measured(text, each.called),
    "per cent": _per_cent,
    "text": _text,
    "choice": _choice,
}
