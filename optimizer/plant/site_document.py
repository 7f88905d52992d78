"""Changes of a site file that keep everything else that people wrote into it.

In come the text of a site file and what a person wants of the plant; out comes the changed text.
Comments, order, the spelling of unchanged numbers and all that the wish does not name stay as they
are.

A wish is a mapping with the tables ``site``, ``settings``, ``material`` and ``lines``, each of them
whole or left out. A field that it states as None is removed from the file, a field that it does not
name is left alone. A material variable or line that the file has and the wish does not name is
removed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from copy import deepcopy
from typing import Any, TypeAlias

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Null, Table

from optimizer.errors import InputError, reason_of

Wish: TypeAlias = Mapping[str, Any]
Fields: TypeAlias = MutableMapping[str, Any]
Put: TypeAlias = Callable[[Fields, str, str, Any], None]
"""A function that adds a field to a table: the table's parent and name, the field and its value."""
OWN = ("settings",)
"""Fields of a line; a line without any of them lists its settings directly."""


def merged(content: Mapping[str, Any], wish: Wish) -> dict[str, Any]:
    """The content of a parsed site file with the changes of a wish, as plain data.

    Args:
        content: the parsed file.
        wish: what is wanted of the plant.
    """
    found = deepcopy(dict(content))
    for room, name in _gone(found, wish):
        _remove(found, room, name)
    _apply(found, wish, _put_plain, lambda _: {})
    return found


def changed(text: str, wish: Wish) -> str:
    """The text of a site file with the changes of a wish.

    Args:
        text: text of the file; a byte-order mark and the kind of line ends are kept.
        wish: what is wanted of the plant.

    Raises:
        InputError: when the text is not TOML, or its layout does not allow the change.
    """
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    written = text.removeprefix(mark).replace("\r\n", "\n")
    try:
        before, document = tomllib.loads(written), tomlkit.parse(written)
    except (ValueError, TOMLKitError) as error:
        raise InputError(
            f"the site file is not valid TOML: {reason_of(error)}.", hint="Mend it by hand first."
        ) from None
    try:
        for room, name in _gone(before, wish):
            _remove(document, room, name)
            # What the library knows of tables in mixed order is out of date after a removal.
            document = tomlkit.parse(tomlkit.dumps(document))
        _apply(document, wish, _put_in_place, _new_table)
        found = tomlkit.dumps(document)
        right = tomllib.loads(found) == merged(before, wish)
    except (ValueError, TypeError, LookupError, AttributeError, TOMLKitError):
        right = False
    if not right:  # better no change than another one than was asked for
        raise InputError(
            "the site file is laid out in a way that cannot be changed from here.",
            hint="Write each table under a heading of its own, such as [settings.air], or change "
            "the file by hand.",
        )
    return mark + (found.replace("\n", "\r\n") if "\r\n" in text else found)


def _gone(content: Mapping[str, Any], wish: Wish) -> list[tuple[str, str]]:
    """Material variables and lines of a file that a wish does not name, with their table."""
    return [
        (room, name)
        for room in ("material", "lines")
        if room in wish
        for name in content.get(room, {})
        if name not in wish[room]
    ]


def _remove(content: Fields, room: str, name: str) -> None:
    """Remove a table, and what contains it where that is then empty."""
    del content[room][name]
    if room in content and not content[room]:
        del content[room]


def _apply(content: Fields, wish: Wish, put: Put, new: Callable[[bool], Any]) -> None:
    """Make the changes of a wish in a parsed file.

    Args:
        content: the content, which is changed.
        wish: what is wanted of the plant.
        put: adds a field to a table.
        new: makes a table; its argument is whether it only holds other tables.
    """
    for path, fields in _tables(content, wish):
        present = {name: value for name, value in fields.items() if value is not None}
        at: Any = content
        for depth, name in enumerate(path):
            if name not in at:
                if not present and (len(path) > 2 or path[0] == "settings"):
                    break  # a setting of a line, or a gate, in which nothing differs has no table
                at[name] = new(depth < len(path) - 1 and depth != 1)
            parent, at = at, at[name]
        else:
            _fill(parent, path[-1], fields, put)
            if len(path) > 2 and not parent[path[-1]]:
                _prune(content, path, new)
            elif path[0] == "settings" and not parent[path[-1]]:
                del parent[path[-1]]  # a gate in which nothing differs any more


def _prune(content: Fields, path: tuple[str, ...], new: Callable[[bool], Any]) -> None:
    """Remove the empty table of a line's setting; the line itself stays."""
    lines, line = content["lines"], path[1]
    at = lines[line]
    for name in path[2:-1]:
        at = at[name]
    del at[path[-1]]
    if path[2:-1] and not at:
        del lines[line][path[2]]
    if not lines[line] and isinstance(lines[line], Table) and lines[line].is_super_table():
        lines[line] = new(False)  # only its settings named this line: it gets a heading of its own


def _tables(content: Mapping[str, Any], wish: Wish) -> Iterator[tuple[tuple[str, ...], Wish]]:
    """Where each table of a wish stands in a file, and its fields."""
    if "site" in wish:
        yield ("site",), wish["site"]
    for room in ("settings", "material"):
        for name, fields in wish.get(room, {}).items():
            yield (room, name), fields
    for line, settings in wish.get("lines", {}).items():
        yield ("lines", line), {}
        held = content.get("lines", {}).get(line, {})
        direct = bool(held) and not set(OWN) & set(held)
        for name, fields in settings.items():
            yield ("lines", line, *(() if direct else OWN), name), fields


def _fill(parent: Fields, name: str, fields: Wish, put: Put) -> None:
    """Give a table the values of a wish; a value that it has already is not touched."""
    for key, value in fields.items():
        table = parent[name]
        if value is None:
            if key in table:
                del table[key]
        elif key not in table:
            put(parent, name, key, _plainest(value))
        elif table[key] != value:
            table[key] = _toml(_plainest(value)) if isinstance(value, list) else _plainest(value)


def _plainest(value: Any) -> Any:
    """A value as a person would write it: 90 rather than 90.0."""
    if isinstance(value, list):
        return [_plainest(each) for each in value]
    if isinstance(value, Mapping):
        return {key: _plainest(each) for key, each in value.items()}
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _put_plain(parent: Fields, name: str, key: str, value: Any) -> None:
    parent[name][key] = value


def _put_in_place(parent: Fields, name: str, key: str, value: Any) -> None:
    """Add a field behind the last field of a table, before the comments that close it.

    The library itself would add it behind them, where they may speak of what follows.
    """
    table = parent[name]
    if not isinstance(table, Table) or table.is_super_table() or not len(table):
        table[key] = _toml(value)
        return
    # A field that was removed leaves a gap, an item of nothing.
    body: list[tuple[Any, Any]] = [
        each for each in table.value.body if not isinstance(each[1], Null)
    ]
    fields = [k for k, (of, item) in enumerate(body) if of and not isinstance(item, Table)]
    body.insert(fields[-1] + 1 if fields else 0, (key, _toml(value)))
    again: Any = tomlkit.table()
    for of, item in body:
        again.add(*([item] if of is None else [of, item]))
    again.trivia.comment_ws, again.trivia.comment = table.trivia.comment_ws, table.trivia.comment
    parent[name] = again


def _toml(value: Any) -> Any:
    """A value for a table of the file; pairs of units are written in one line."""
    if isinstance(value, list):
        array = tomlkit.array()
        for each in value:
            array.append(_toml(each))
        return array
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        for key, each in value.items():
            inline.append(key, _toml(each))
        return inline
    return tomlkit.item(value)


def _new_table(holds_tables: bool) -> Table:
    return tomlkit.table(is_super_table=holds_tables)
