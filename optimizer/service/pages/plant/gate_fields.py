"""Fields of settings that are set at several gates in turn: how many, and what differs at each.

``s.air.gates`` holds the number of gates of all lines, ``l.K.air.gates`` that of one line, and
``s.air_2.high`` or ``l.K.air_2.high`` what differs at one gate, which has the fields ``OF_A_GATE``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from optimizer.plant.gates import MOST_GATES
from optimizer.plant.settings import FEED_RATE

GATES = ("gates", "max_taper")
OF_A_GATE = ("low", "high", "step", "max_change")
OWN = (*OF_A_GATE, *GATES)
"""Fields of a setting on one line."""
COMMON = ("unit", *OWN)
"""Fields of a setting for all lines."""


def gates_in_form(typed: Mapping[str, str], at: str, name: str, common: str = "") -> list[str]:
    """Names of the gates of a setting whose fields a form has; none where it has no gates.

    Args:
        typed: the fields of the form.
        at: what the fields are of, ``s`` or ``l.K``.
        name: name of the setting.
        common: what they are of where these fields leave the number open.

    >>> gates_in_form({"s.air.gates": "2"}, "l.0", "air", "s")
    ['air_1', 'air_2']
    """
    text = typed.get(f"{at}.{name}.gates", "").strip()
    text = text or (typed.get(f"{common}.{name}.gates", "").strip() if common else "")
    count = int(text) if re.fullmatch("[0-9]{1,3}", text) else 0
    several = name != FEED_RATE and 2 <= count <= MOST_GATES
    return [f"{name}_{k}" for k in range(1, count + 1)] if several else []


def gates_of_file(settings: Iterable[str], name: str) -> list[str]:
    """Names of the gates of a setting for which a site file has a table."""
    return [each for each in settings if re.fullmatch(rf"{re.escape(name)}_[1-9][0-9]*", each)]
