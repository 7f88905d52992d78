"""The form that describes the plant: from its fields to a wish.

Fields have these names, in which ``K`` is the number of a row:

- ``site.name``, ``site.time_zone``, ``site.mass``;
- ``s.SETTING.FIELD`` for the settings of all lines, with the fields of ``COMMON``, and gates
  (``gate_fields``);
- ``f.FIELD`` for the feed grade, and ``m.K.FIELD`` for the other properties of the material;
- ``l.K.name`` and ``l.K.SETTING.FIELD`` for a line and what differs on it, with those of ``OWN``;
- ``m.K.old`` and ``l.K.old`` for the name with which a row came;
- ``u.SETTING`` for a changed unit about whose ranges the form has asked already;
- ``w.COLUMN.unit``, ``w.COLUMN.R.old`` and ``w.COLUMN.R.new`` for pairs of an earlier unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from optimizer.errors import InputError
from optimizer.plant.mass import MASSES
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.site_document import merged
from optimizer.plant.units import same_unit
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.typed_numbers import number
from optimizer.service.pages.plant.gate_fields import (
    COMMON,
    GATES,
    OF_A_GATE,
    OWN,
    gates_in_form,
    gates_of_file,
)
from optimizer.service.pages.plant.shown_plant import VARIABLE
from optimizer.text.visible_text import fits_in_a_page

MAY_BE_EMPTY = ("unit", "max_change", *GATES)
"""Fields that need no value: a property without a unit, a setting that may move freely."""
MOST_LINES, MOST_PROPERTIES, PAIRS = 60, 40, 4
LONGEST_NAME, LONGEST_UNIT = 100, 40
ANYWHERE = ""
"""Key of a fault that belongs to no field."""
_SAID = re.compile(
    r"^(?:setting '[^']*': |"
    r"\[(?:settings|material|lines)[^\]]*\](?: (?P<of>unit|was|max_taper))?: ?|"
    r"\[site\] time_zone: |(?:site|material|settings|lines)\.[\w.-]*?(?P<gates>gates)?: (?:at: )?)"
)
_NAMED = re.compile(r"is already a column|is one word of")


@dataclass
class PlantForm:
    """A form as it was sent, and what is wrong with it.

    Attributes:
        typed: the fields as they were typed, by name.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
        wish: what is wanted of the plant, as ``site_document`` takes it.
    """

    typed: Mapping[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    wish: dict[str, Any] = field(default_factory=dict)


# -- from fields to a wish ------------------------------------------------------------------------


def read_plant(typed: Mapping[str, str], site: Site, content: Mapping[str, Any]) -> PlantForm:
    """What a form wants of the plant, with every fault beside its field.

    Args:
        typed: the fields of the form.
        site: the plant as its site file stands.
        content: content of that site file.
    """
    form = PlantForm(typed)
    form.wish = {"site": _read_site(form), "settings": {}, "material": {}, "lines": {}}
    for setting in site.wholes:
        name = setting.name
        fields = _read_fields(form, f"s.{name}", COMMON)
        form.wish["settings"][name] = fields
        _read_pairs(form, name, fields, setting.unit, site.was(name, None))
        _try(form, f"s.{name}", {"settings": {name: _given(fields)}})
        gates = _read_gates(form, "s", name, site.file.settings)
        form.wish["settings"] |= gates
        for gate, own in gates.items():
            if not any(f.startswith(f"s.{name}.") for f in form.faults):
                both = {name: _given(fields), gate: _given(own)}
                _try(form, f"s.{gate}", {"settings": both if any(own.values()) else {}})
    _read_material(form, site)
    _read_lines(form, site)
    _name_rows(form)
    whole = merged(content, form.wish)
    for k, line in _rows(typed, "l", MOST_LINES):
        own = whole["lines"].get(line, {})
        settings = own.get("settings", own)
        for name, fields in settings.items():
            at = f"l.{k}.{name}"
            base = name if name in GRAVITY_TABLE.names else name.rpartition("_")[0]  # of a gate
            if not any(f.startswith((f"{at}.", f"s.{base}.")) for f in form.faults):
                lines = {line: {"settings": {base: settings.get(base, {}), name: fields}}}
                common = {base: whole["settings"].get(base, {})}
                _try(form, at, {"settings": common, "lines": lines})
    _ask_units(form, site)
    if not form.faults:
        try:
            Site.from_dict(whole, "site file")
        except InputError as error:
            form.faults[ANYWHERE] = str(error)
    return form


def add_row(typed: Mapping[str, str], count: str, most: int) -> dict[str, str]:
    """The fields of a form with one row more; ``count`` is the field that counts the rows."""
    return {**typed, count: str(min(most, rows_of(typed, count) + 1))}


def earlier_units(typed: Mapping[str, str]) -> dict[str, str]:
    """The columns for which a form asks for pairs, each with its earlier unit."""
    asked = ((name.split("."), unit) for name, unit in typed.items() if name.startswith("w."))
    return {parts[1]: unit for parts, unit in asked if len(parts) == 3 and parts[2] == "unit"}


def unit_field(typed: Mapping[str, str], column: str) -> str:
    """The field with the unit of a setting or property."""
    if column == FEED_GRADE:
        return "f.unit"
    rows = (k for k, name in _rows(typed, "m", MOST_PROPERTIES) if _one_word(name) == column)
    k = next(rows, None)
    return f"s.{column}.unit" if k is None else f"m.{k}.unit"


def rows_of(typed: Mapping[str, str], count: str) -> int:
    """The number of rows that a form states, at most as many as a form may have."""
    most = MOST_LINES if count == "lines" else MOST_PROPERTIES
    text = typed.get(count, "")
    return min(most, int(text)) if re.fullmatch("[0-9]{1,3}", text) else 0


def _read_site(form: PlantForm) -> dict[str, str]:
    """Name, time zone and unit of mass of the plant."""
    found = {name: form.typed.get(f"site.{name}", "").strip()
             for name in ("name", "time_zone", "mass")}  # fmt: skip
    if not 0 < len(found["name"]) <= LONGEST_NAME:
        form.faults["site.name"] = f"Write a name of 1 to {LONGEST_NAME} characters."
    if found["mass"] not in MASSES:
        form.faults["site.mass"] = f"Choose one of {', '.join(MASSES)}."
    if not found["time_zone"]:
        form.faults["site.time_zone"] = "Write the zone of your clocks, or UTC."
    else:
        _try(form, "site.time_zone", {"site": {"time_zone": found["time_zone"]}}, "")
    return found


def _read_material(form: PlantForm, site: Site) -> None:
    """The properties of the material, the feed grade last."""
    seen = set[str]()
    for k, name in _rows(form.typed, "m", MOST_PROPERTIES):
        name = _one_word(name)
        fields = _read_fields(form, f"m.{k}", VARIABLE)
        if name in seen or name == FEED_GRADE:
            form.faults[f"m.{k}.name"] = f"'{name}' stands above already."
            continue
        seen.add(name)
        form.wish["material"][name] = fields
        old = site.material.get(name)
        _read_pairs(form, name, fields, old.unit if old else "", old.was if old else ())
        _try(form, f"m.{k}", {"material": {name: _given(fields)}})
    feed = _read_fields(form, "f", VARIABLE)
    form.wish["material"][FEED_GRADE] = feed
    _try(form, "f", {"material": {FEED_GRADE: _given(feed)}})


def _read_lines(form: PlantForm, site: Site) -> None:
    """The lines, and what differs on each."""
    # A line whose name no page can show is not in the form, and stays.
    lines: dict[str, Any] = {line: {} for line in site.file.lines if not fits_in_a_page(line)}
    for k, line in _rows(form.typed, "l", MOST_LINES):
        own = {}
        for setting in site.wholes:
            at = f"l.{k}.{setting.name}"
            own[setting.name] = _read_fields(form, at, OWN, may_be_empty=OWN)
            known = site.file.lines[line].settings if line in site.file.lines else {}
            own |= _read_gates(form, f"l.{k}", setting.name, known, "s")
        if line in lines:
            form.faults[f"l.{k}.name"] = f"'{line}' stands above already."
        lines[line] = own
    form.wish["lines"] = lines


def _read_gates(
    form: PlantForm, at: str, name: str, known: Iterable[str], common: str = ""
) -> dict[str, dict[str, Any]]:
    """What differs at each gate of a setting; nothing at those that the site file knows and the
    form has not."""
    gates = gates_in_form(form.typed, at, name, common)
    left = [gate for gate in gates_of_file(known, name) if gate not in gates]
    read = {gate: _read_fields(form, f"{at}.{gate}", OF_A_GATE, OF_A_GATE) for gate in gates}
    return {**read, **{gate: dict.fromkeys(OF_A_GATE) for gate in left}}


def _rows(typed: Mapping[str, str], kind: str, most: int) -> Iterator[tuple[int, str]]:
    """Number and name of each row that has a name."""
    for k in range(min(most, rows_of(typed, "lines" if kind == "l" else "properties"))):
        if name := typed.get(f"{kind}.{k}.name", "").strip():
            yield k, name


def _ask_units(form: PlantForm, site: Site) -> None:
    """Ask about ranges that stayed the same while their unit changed, once for each new unit."""
    asked = {}
    for setting in site.wholes:
        name, unit = setting.name, form.wish["settings"][setting.name]["unit"]
        known = form.typed.get(f"u.{name}") == unit
        if known or same_unit(unit, setting.unit) or f"s.{name}.unit" in form.faults:
            continue
        places = [(f"s.{name}.high", form.wish["settings"][name]["high"], setting.high)]
        for k, line in _rows(form.typed, "l", MOST_LINES):
            own = site.file.lines[line].settings.get(name) if line in site.file.lines else None
            if own is not None and own.unit is None:
                wished = form.wish["lines"][line][name]
                places += [(f"l.{k}.{name}.{end}", wished[end], getattr(own, end))
                           for end in ("low", "high")]  # fmt: skip
        for at, wished, before in places:
            if before and wished == before and at not in form.faults:
                asked[f"u.{name}"] = unit
                form.faults[at] = (
                    f"This was in {setting.unit or 'no unit'} until now. Write it in "
                    f"{unit or 'the new unit'}; if it is, send the form again."
                )
    form.typed = {**form.typed, **asked}


def _name_rows(form: PlantForm) -> None:
    """A row that was never named and holds something needs a name. One that was named is taken
    away."""
    for kind, count in (("l", "lines"), ("m", "properties")):
        for k in range(rows_of(form.typed, count)):
            own = {name: text.strip() for name, text in form.typed.items()
                   if name.startswith(f"{kind}.{k}.")}  # fmt: skip
            named = own.get(f"{kind}.{k}.name") or own.get(f"{kind}.{k}.old")
            if any(own.values()) and not named:
                form.faults[f"{kind}.{k}.name"] = "Write a name, or empty the other fields."


def _read_fields(
    form: PlantForm, at: str, names: Iterable[str], may_be_empty: Iterable[str] = MAY_BE_EMPTY
) -> dict[str, Any]:
    """The fields of a setting or a property; one that is empty is None, but a unit is a text."""
    found: dict[str, Any] = {}
    for name in names:
        text = form.typed.get(f"{at}.{name}", "").strip()
        if name == "unit":
            found[name] = text
            continue
        found[name] = None
        if not text and name in may_be_empty:
            continue
        try:
            if not text:
                raise Problem(422, "Write a number.", code="not-a-number")
            found[name] = number(text, name)
        except Problem as error:
            said = error.message.partition(": ")[2] or error.message
            form.faults[f"{at}.{name}"] = f"{said[0].upper()}{said[1:]} {error.hint}".strip()
    return found


def _read_pairs(
    form: PlantForm, name: str, fields: dict[str, Any], before: str, earlier: Iterable[Any]
) -> None:
    """Earlier units of a column: where the unit has changed, earlier pairs lead to another unit
    than the new one, so that they are dropped."""
    kept = [each.model_dump(mode="json") for each in earlier]
    if not same_unit(fields["unit"], before):
        kept = []
    unit = form.typed.get(f"w.{name}.unit")
    pairs = []
    for k in range(PAIRS):
        at = [f"w.{name}.{k}.{end}" for end in ("old", "new")]
        texts = [form.typed.get(each, "").strip() for each in at]
        if unit is None or not any(texts):
            continue
        try:
            pairs.append([number(text, "pair") for text in texts])
        except Problem:
            form.faults[at[0]] = "Write both numbers of a pair, or none."
    if unit is not None and pairs:
        kept = [*(each for each in kept if each["unit"] != unit), {"unit": unit, "at": pairs}]
    fields["was"] = kept or None


def _given(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None}


def _try(form: PlantForm, at: str, content: Mapping[str, Any], name: str | None = None) -> None:
    """Add the fault of a part of a site file to the field that it speaks of.

    Args:
        form: the form.
        at: beginning of the names of the fields of this part.
        content: a site file that has this part alone.
        name: end of the name of the field, where the part is a single field.
    """
    if at in form.faults or any(each.startswith(f"{at}.") for each in form.faults):
        return
    try:
        Site.from_dict(content, "site file")
    except InputError as error:
        said = error.message.removeprefix("site file: ")
        found = _SAID.match(said)
        rest = said[found.end() :] if found else said
        end = _field_of(rest, found) if name is None else name
        where = f"{at}.{end}".rstrip(".")
        if end == "was" and not at.startswith("l."):
            column = next(iter(next(iter(content.values()))))
            where = f"w.{column}.0.old"
        elif at.startswith("l.") and end not in OWN:
            where = f"{at}.low"  # the unit of a line is not in the form
        text = rest.replace("max_change", "the largest move")
        # What no form here states, or states otherwise.
        elsewhere = any(each in error.hint for each in ("brief", "[columns]", "gates = N"))
        hint = "" if elsewhere else error.hint
        form.faults[where] = f"{text[0].upper()}{text[1:]} {hint}".strip()


def _field_of(said: str, start: re.Match[str] | None) -> str:
    """The field that a message of a site file is about, with what it said before."""
    if start and (start["of"] or start["gates"] or ".was." in start[0]):
        return start["of"] or start["gates"] or "was"
    if _NAMED.search(said):
        return "name"
    return next((name for name in ("step", "max_change", "unit") if said.startswith(name)), "low")


def _one_word(name: str) -> str:
    """The name of a property as a site file writes it."""
    return re.sub(r"\s+", "_", name)
