"""The code of the model process, which keeps a few fitted lines and says what to expect of them.

It is a process of its own, so that a question, which takes milliseconds once the line is fitted,
never waits behind a plan, and the service answers other requests meanwhile.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from optimizer.service.answers.order import Order
from optimizer.service.exchange.metrics import resident_bytes

if TYPE_CHECKING:
    from optimizer.landscape.what_if import WhatIf

KEPT = 4
"""Number of fitted lines that are kept; the one that was not asked for the longest time is dropped
first."""

_fitted: OrderedDict[str, WhatIf] = OrderedDict()


def expected(
    history: str, order: Order, settings: Mapping[str, float], min_grade: float | None
) -> tuple[dict[str, Any], int]:
    """What to expect at some settings: the ``highside.expected/1`` document, and the bytes of
    memory that this process holds.

    Args:
        history: path or URI.
        order: the line, the material and what else a fit depends on; its key names the fit.
        settings: values by name; those left out are as at the latest run.
        min_grade: grade to reach, a fraction; None for the line's usual.

    Raises:
        InputError: when a setting is unknown or outside the limits.
        LimitError: when there are too few runs, or no settings are left.
        HistoryError: when the history cannot be read.
    """
    line = _fitted.get(order.key) or _new(history, order)
    document = line.expected(settings, min_grade).as_dict()
    _fitted[order.key] = line
    _fitted.move_to_end(order.key)
    while len(_fitted) > KEPT:
        _fitted.popitem(last=False)
    return document, resident_bytes()


def _new(history: str, order: Order) -> WhatIf:
    """The line of an order, to be fitted at the first question."""
    # The libraries are loaded in this process only.
    from optimizer.history.history import History  # noqa: PLC0415
    from optimizer.landscape.what_if import WhatIf  # noqa: PLC0415
    from optimizer.planning.situation import situation_of  # noqa: PLC0415
    from optimizer.plant.brief import Brief  # noqa: PLC0415
    from optimizer.plant.site import Site  # noqa: PLC0415

    site, brief = Site.from_dict(order.site), Brief.from_dict(order.brief)
    return WhatIf(situation_of(History(history).at(order.version), site, brief, seed=order.seed))
