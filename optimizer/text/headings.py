"""Column headings: a name in any spelling, followed by an optional unit.

Every table that is read (logs, stream files, density fractions, rows from a form) is split into
names and units here, so that ``Feed Rate (kg/h)`` means the same in all of them.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from optimizer.errors import InputError, nearest

# No space is matched before the bracket: of a heading of spaces, all lengths would be tried.
_WITH_UNIT = re.compile(
    r"^(?P<name>.*?)(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\)|(?P<sign>%))\s*$", re.S
)
_SEPARATORS = re.compile(r"[\W_]+")


def name_key(name: str) -> str:
    """A name without case, spaces and separators; two names with equal keys are the same name.

    >>> name_key("Feed Rate") == name_key("feed-rate") == name_key("feed_rate")
    True
    """
    return _SEPARATORS.sub("", name).lower() or name.strip()


def split_unit(heading: str) -> tuple[str, str | None]:
    """Name and unit of a heading; the unit is None when the heading has none.

    A unit stands in square or round brackets at the end; a closing per cent sign is a unit too.

    >>> split_unit("feed-rate [kg/h]"), split_unit("Grade %"), split_unit("air")
    (('feed-rate', 'kg/h'), ('Grade', '%'), ('air', None))
    """
    match = _WITH_UNIT.match(heading.strip())
    if match is None:
        return heading.strip(), None
    unit = next(match[k] for k in ("square", "round", "sign") if match[k] is not None)
    return match["name"].strip(), unit.strip()


def with_unit(name: str, unit: str) -> str:
    """The heading of a column: its name, and its unit in brackets where it has one.

    >>> with_unit("feed_rate", "kg/h"), with_unit("note", "")
    ('feed_rate [kg/h]', 'note')
    """
    return f"{name} [{unit}]" if unit else name


def bind_fields(
    headings: Sequence[str], fields: Collection[str], needed: Sequence[str], path: str
) -> tuple[list[str], dict[str, str]]:
    """Match the columns of a table to fields.

    Args:
        headings: headings as written in the table.
        fields: names that have a meaning in this kind of table.
        needed: fields without which the table cannot be used.
        path: name of the file, for messages.

    Returns:
        The name of each column, a field's own name or else the heading as written; and the unit
        of each field found, empty where its heading has none.

    Raises:
        InputError: when two columns match one field, or a needed field has no column.
    """
    known = {name_key(field): field for field in fields}
    names: list[str] = []
    units: dict[str, str] = {}
    for heading in headings:
        name, unit = split_unit(heading)
        field = known.get(name_key(name))
        if field in units:
            raise InputError(f"{path}: two columns are '{field}'.")
        names.append(field or heading.strip())
        if field:
            units[field] = unit or ""
    missing = [name for name in needed if name not in units]
    if missing:
        raise InputError(
            f"{path}: no column for {', '.join(missing)}; the headings are "
            f"{', '.join(repr(h) for h in headings)}.",
            hint=nearest(missing[0], headings),
        )
    return names, units
