"""How settings are called in sentences and tables; the gates of a setting by their number.

``air_2`` is the second gate of the air, counted from the feed end. Where a model knows gates by
their profile, ``air_taper`` and ``air_bow`` are parts of it (see ``plant.profiles``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

_GATE = re.compile(r"(?P<whole>.+)_(?P<number>[1-9][0-9]*)")


def gate_number(name: str) -> tuple[str, int] | None:
    """The setting that a gate belongs to, and its number from the feed end; None for a setting of
    its own.

    >>> gate_number("air_2"), gate_number("feed_rate")
    (('air', 2), None)
    """
    found = _GATE.fullmatch(name)
    return None if found is None else (found["whole"], int(found["number"]))


def setting_words(name: str) -> str:
    """The name of a setting, a gate or a part of a profile in words.

    >>> setting_words("eccentric_speed"), setting_words("air_2"), setting_words("air_taper")
    ('eccentric speed', 'air gate 2', 'air taper')
    """
    gate = gate_number(name)
    words = name if gate is None else f"{gate[0]} gate {gate[1]}"
    return words.replace("_", " ")


def gates_together(names: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Names of settings, those of the gates of one setting together under the name of the setting;
    any other under its own.

    >>> gates_together(["side_tilt", "air_1", "air_2"])
    {'side_tilt': ('side_tilt',), 'air': ('air_1', 'air_2')}
    """
    found: dict[str, tuple[str, ...]] = {}
    for name in names:
        gate = gate_number(name)
        whole = name if gate is None else gate[0]
        found[whole] = (*found.get(whole, ()), name)
    return found


def first_gates(names: Iterable[str]) -> tuple[str, ...]:
    """The names among some that are the gate at the feed end.

    >>> first_gates(["side_tilt", "air_1", "air_2"])
    ('air_1',)
    """
    return tuple(own[0] for whole, own in gates_together(names).items() if own[0] != whole)


def at_gates(values: Iterable[str]) -> str:
    """The values of the gates of one setting in one text, from the feed end.

    >>> at_gates(["62", "52", "42"])
    '62 / 52 / 42'
    """
    return " / ".join(values)


def settings_told(values: Mapping[str, str], units: Mapping[str, str]) -> str:
    """Settings with their values and units as a list in a sentence.

    Args:
        values: text of each value, by name; the gates of a setting are all there, or none.
        units: unit of each setting, by name; empty or left out where it has none.

    >>> settings_told({"side_tilt": "2.5", "air_1": "62", "air_2": "52"}, {"air_1": "turn"})
    'side tilt 2.5, air 62 / 52 turn at gates 1 to 2 from the feed end'
    """
    told = []
    for whole, names in gates_together(values).items():
        text = f"{at_gates(values[name] for name in names)} {units.get(names[0], '')}".rstrip()
        place = "" if names[0] == whole else f" at gates 1 to {len(names)} from the feed end"
        told.append(f"{setting_words(whole)} {text}{place}")
    return ", ".join(told)
