"""The log of the service: one line of JSON for each event, and few lines of one kind.

What strangers send decides how often something is logged, never how much: lines of one kind are
written a few times in a second, and the next one that is written says how many were left out.
"""

from __future__ import annotations

import logging
import time
from collections import OrderedDict

from optimizer.text.visible_text import json_line

LOGGERS = ("highside.service", "uvicorn.error", "asyncio")
"""The loggers whose lines are written: the service, its server, and the loop below both."""
A_SECOND = 5.0
"""Lines of one kind that are written in a second, on average."""
AT_ONCE = 20.0
"""Lines of one kind that may be written at once."""
MOST_KINDS = 500
"""Largest number of kinds that are told apart; the one that was silent for longest is dropped
first."""

log = logging.getLogger(LOGGERS[0])


class Thinned(logging.Filter):
    """A filter that lets a few lines of each kind through in a second.

    Lines are of one kind that have the same logger, level and event and, where they tell of a
    request, the same route, status and sender's name. None of these can be invented by a stranger:
    a name is that of a token.
    """

    def __init__(self) -> None:
        super().__init__()
        self._kinds: OrderedDict[tuple[object, ...], tuple[float, float, int]] = OrderedDict()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a line is written; one that follows lines left out gets their number."""
        fields = getattr(record, "fields", {})
        about = (fields.get(name) for name in ("route", "status", "who"))
        kind = record.name, record.levelno, str(record.msg), *about
        now = time.monotonic()
        left, since, dropped = self._kinds.pop(kind, (AT_ONCE, now, 0))
        left = min(AT_ONCE, left + (now - since) * A_SECOND)
        written = left >= 1.0
        if written and dropped:
            record.left_out = dropped
        self._kinds[kind] = (left - 1.0, now, 0) if written else (left, now, dropped + 1)
        if len(self._kinds) > MOST_KINDS:
            self._kinds.popitem(last=False)
        return written


class JsonLines(logging.Formatter):
    """A formatter that writes each log record as one line of JSON.

    It writes only fields that the service sets: no query, header or body, and so no secret.
    """

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line of JSON."""
        entry = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "event": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if left_out := getattr(record, "left_out", 0):
            entry["left_out"] = left_out
        if record.exc_info:
            entry["trace"] = self.formatException(record.exc_info)
        return json_line(entry)


def log_as_json() -> None:
    """Send the log of the service and of its server to stderr, as thinned lines of JSON."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines())
    handler.addFilter(Thinned())
    for name in LOGGERS:
        logger = logging.getLogger(name)
        logger.handlers[:] = [handler]
        logger.setLevel(logging.INFO if name == log.name else logging.WARNING)
        logger.propagate = False
