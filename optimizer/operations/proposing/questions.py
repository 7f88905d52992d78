"""A draft of a site file from answers to questions; each question is asked once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TypeAlias, TypeVar

from optimizer.errors import InputError, nearest
from optimizer.operations.proposing.draft import Draft, DraftVariable
from optimizer.plant.mass import MASSES
from optimizer.plant.moments import DATE_ORDERS
from optimizer.plant.settings import Setting
from optimizer.plant.time_zone import TimeZone
from optimizer.plant.units import check_heading_unit, stored_unit_of

T = TypeVar("T")
Reply: TypeAlias = Callable[[str, str, str], str]
"""A function from a question, the answer that an empty one stands for, and what was wrong with the
answer before (empty at first), to an answer."""

_UNKNOWN = "none"
"""Answer for what is not known or not wanted."""


def answered(draft: Draft, reply: Reply) -> Draft:
    """The draft with the answers to all questions.

    Args:
        draft: what is taken where an answer is empty.
        reply: gives the answers.

    Raises:
        InputError: raised by ``reply`` where there are no more answers.
    """
    site = dict(draft.site)
    site["name"] = _ask(reply, "What is the plant called?", site.get("name", "my plant"), _some)
    zone = "In which time zone are its clocks (such as America/Bogota)?"
    site["time_zone"] = _ask(reply, zone, site.get("time_zone", "UTC"), lambda t: TimeZone(t).name)
    mass = f"In which unit are lots and product told ({', '.join(MASSES)})?"
    site["mass"] = _ask(reply, mass, site.get("mass", "t"), lambda t: _one_of(t, MASSES))
    order = f"How are dates such as 03/04/2026 read ({', '.join(DATE_ORDERS)}, or {_UNKNOWN})?"
    found = _ask(
        reply,
        order,
        site.get("date_order", _UNKNOWN),
        lambda t: _one_of(t, (*DATE_ORDERS, _UNKNOWN)),
    )
    site |= {} if found == _UNKNOWN else {"date_order": found}
    settings = tuple(_setting(each, reply) for each in draft.settings)
    material = _material(draft, reply)
    lines = "What are the lines called (with commas between)?"
    names = _ask(reply, lines, ", ".join(draft.lines) or _UNKNOWN, _names)
    told = {"time_zone", "date_order", "line", *(s.name for s in settings)}
    left = tuple(each for each in draft.open if each[0] not in told)
    return replace(draft, site=site, settings=settings, material=material, lines=names, open=left)


def headings_answered(draft: Draft, fields: tuple[str, ...], reply: Reply) -> dict[str, str]:
    """What the headings mean that no field is known for, as a mapping for those with a field."""
    found: dict[str, str] = {}
    for heading, some in draft.unread.items():
        question = f"What does the column '{heading}' hold ({some})? A field, or {_UNKNOWN}."
        field = _ask(reply, question, _UNKNOWN, lambda t: _one_of(t, (*fields, _UNKNOWN)))
        found |= {} if field == _UNKNOWN else {heading: field}
    return found


def _ask(reply: Reply, question: str, usual: str, read: Callable[[str], T]) -> T:
    problem = ""
    while True:
        text = reply(question, usual, problem).strip() or usual
        try:
            return read(text)
        except InputError as error:
            problem = f"{error.message} {error.hint}".strip()


def _setting(each: DraftVariable, reply: Reply) -> DraftVariable:
    name = each.name.replace("_", " ")
    unit = _ask(
        reply, f"In which unit, or on which scale, is the {name} set?", each.unit,
        lambda t: _unit_of(each.name, t),
    )  # fmt: skip
    if unit != each.unit:
        each = replace(each, unit=unit, notes=())
    low = _number(reply, f"The lowest {name} the deck can be set to, in {unit}?", each.low)
    high = _ask(reply, f"The highest, in {unit}?", f"{each.high:g}", lambda t: _above(t, low))
    step = _ask(
        reply, f"The smallest change an operator can make, in {unit}?", f"{each.step or 1:g}",
        lambda t: Setting(each.name, unit, low, high, _above(t, 0.0)).step,
    )  # fmt: skip
    gates = each.gates
    if each.name == "air":
        asked = "At how many gates is the air set in turn?"
        count = _ask(reply, asked, str(each.gates or 1), lambda t: int(_above(t, 0.5)))
        gates = count if count > 1 else None
    return replace(each, low=low, high=high, step=step, gates=gates, notes=())


def _material(draft: Draft, reply: Reply) -> tuple[DraftVariable, ...]:
    known = {each.name: each for each in draft.material}
    question = "Which properties of the feed are measured (such as moisture, temperature)?"
    names = _ask(reply, question, ", ".join(known) or _UNKNOWN, _identifiers)
    found = []
    for name in names:
        each = known.get(name, DraftVariable(name, "%", 0.0, 100.0))
        unit = _ask(reply, f"In which unit is {name} measured?", each.unit or "%", _written_unit)
        low = _number(reply, f"The lowest {name} to expect, in {unit}?", each.low)
        high = _ask(
            reply,
            f"The highest, in {unit}?",
            f"{each.high:g}",
            lambda t, low=low: _above(t, low),  # type: ignore[misc]
        )
        found.append(replace(each, unit=unit, low=low, high=high, notes=()))
    return tuple(found)


def _number(reply: Reply, question: str, usual: float) -> float:
    return _ask(reply, question, f"{usual:g}", _finite)


def _finite(text: str) -> float:
    try:
        value = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"'{text}' is not a number.")
    return value


def _above(text: str, low: float) -> float:
    value = _finite(text)
    if value <= low:
        raise InputError(f"{value:g} must be above {low:g}.")
    return value


def _some(text: str) -> str:
    return text


def _one_of(text: str, known: tuple[str, ...]) -> str:
    found = next((each for each in known if each.lower() == text.lower()), None)
    if found is None:
        raise InputError(f"'{text}' is not one of {', '.join(known)}.", hint=nearest(text, known))
    return found


def _unit_of(setting: str, text: str) -> str:
    stored_unit_of(setting, text)
    return text


def _written_unit(text: str) -> str:
    check_heading_unit(text)
    return text


def _names(text: str) -> tuple[str, ...]:
    names = [name.strip() for name in text.split(",")]
    return tuple(dict.fromkeys(name for name in names if name and name != _UNKNOWN))


def _identifiers(text: str) -> tuple[str, ...]:
    names = tuple(name.replace(" ", "_") for name in _names(text))
    wrong = next((name for name in names if not name.isidentifier()), None)
    if wrong is not None:
        raise InputError(f"'{wrong}' is not one word of letters, digits and underscores.")
    return names
