"""``KEY=VALUE`` entries of command line options and of service queries."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.errors import InputError

LONGEST_SHOWN = 60
"""Largest number of characters of an entry that a message quotes."""


def key_values(entries: Iterable[str], what: str, *, at_last: bool = False) -> dict[str, str]:
    """Entries as a mapping; the first ``=`` separates, so that a value may hold another.

    Args:
        entries: each ``KEY=VALUE``; spaces around key and value do not count.
        what: name of the option or parameter, for messages.
        at_last: whether the last ``=`` separates instead of the first. This is for keys that may
            hold ``=``, such as headings of a log that are mapped to names of fields.

    Raises:
        InputError: when an entry has no key or no value, or a key is given twice.

    >>> key_values(["moisture=11.2", "material=lot=7"], "--material")
    {'moisture': '11.2', 'material': 'lot=7'}
    """
    found: dict[str, str] = {}
    for entry in entries:
        key, sign, value = entry.rpartition("=") if at_last else entry.partition("=")
        name = key.strip()
        if not sign or not name or not value.strip():
            raise InputError(f"{what} '{entry[:LONGEST_SHOWN]}': expected KEY=VALUE.")
        if name in found:
            raise InputError(f"{what} '{name[:LONGEST_SHOWN]}' is given twice.")
        found[name] = value.strip()
    return found
