"""Whose answer is made next, and how much one person may ask for.

There are two lanes, each with planning processes of its own. The lane of the deck makes short plans
for persons who may record, so that no study and nobody who may only read can keep the deck waiting.
The lane of studies makes everything else. Within a lane short plans come before long answers, then
persons who may record before others, then who had no turn for the longest time. Every third turn
goes to who has waited longest, so that nobody waits for ever.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.plant.brief import Brief
from optimizer.service.answers.order import Order
from optimizer.service.exchange import problems
from optimizer.service.exchange.problems import Problem

DECK, STUDIES = "deck", "studies"
LANES = DECK, STUDIES
SHORT = ("plan", "plan to issue", "sheet.csv")
"""Kinds of answers that are short where they plan few trials."""
MOST_TRIALS = 10
"""Largest number of trials of a short plan."""
OLDEST_EVERY = 3
"""Every turn of this number goes to who has waited longest."""
SECONDS = {
    "plan": 900.0,
    "plan to issue": 900.0,
    "comparison": 1800.0,
    "diagnosis": 1800.0,
    "look": 900.0,
    "report": 900.0,
    "sheet.pdf": 900.0,
    "sheet.html": 900.0,
    "sheet.csv": 900.0,
}
"""Time budget of an answer of each kind: seconds from its beginning, after which it is ended."""
SECONDS_AT_DECK = 300.0
"""Time budget of an answer in the lane of the deck."""


@dataclass(frozen=True)
class Asker:
    """Who asks for an answer.

    Args:
        name: name of the person; None for the service itself.
        records: whether the person may record, as people at the deck do.
    """

    name: str | None = None
    records: bool = True


@dataclass(frozen=True)
class Ticket:
    """The place of one answer among those that wait.

    Args:
        key: key of the order.
        lane: one of ``LANES``.
        name: name of the person who asked first.
        records: whether that person may record.
        short: whether the answer is a short plan.
        seconds: time budget of the answer.
    """

    key: str
    lane: str
    name: str | None
    records: bool
    short: bool
    seconds: float


def ticket_of(order: Order, asker: Asker) -> Ticket:
    """The ticket of an order that a person asks for."""
    count = Brief.from_dict(order.brief).trials.count
    short = order.kind in SHORT and count <= MOST_TRIALS
    lane = DECK if short and asker.records else STUDIES
    seconds = SECONDS_AT_DECK if lane == DECK else SECONDS[order.kind]
    return Ticket(order.key, lane, asker.name, asker.records, short, seconds)


class Turns:
    """The tickets that wait, in the order of their arrival, and whose turn is next."""

    def __init__(self) -> None:
        self._waiting: dict[str, Ticket] = {}
        self._last: dict[str | None, int] = {}
        self._turns: Counter[str] = Counter()

    def add(self, ticket: Ticket) -> None:
        """Let a ticket wait."""
        self._waiting[ticket.key] = ticket

    def remove(self, key: str) -> None:
        """Let a ticket wait no longer."""
        self._waiting.pop(key, None)

    def promote(self, ticket: Ticket) -> bool:
        """Give a ticket that waits in the lane of studies the place of one at the deck, which
        another person asks for; whether it was such a ticket."""
        known = self._waiting.get(ticket.key)
        if known is None or known.lane == DECK or ticket.lane != DECK:
            return False
        self._waiting[ticket.key] = ticket
        return True

    def next(self, lane: str) -> Ticket | None:
        """Take the ticket of a lane whose turn it is; None where none waits there."""
        there = [ticket for ticket in self._waiting.values() if ticket.lane == lane]
        if not there:
            return None
        self._turns[lane] += 1
        # A minimum is the first of equals, so equals have their turns in the order of arrival.
        chosen = there[0] if self._turns[lane] % OLDEST_EVERY == 0 else min(there, key=self._rank)
        if len(self._last) > len(self._waiting) + 100:
            self._last.clear()
        self._last[chosen.name] = sum(self._turns.values())
        del self._waiting[chosen.key]
        return chosen

    def _rank(self, ticket: Ticket) -> tuple[bool, bool, int]:
        return not ticket.short, not ticket.records, self._last.get(ticket.name, 0)


def check_quotas(asker: Asker, under_way: Iterable[Mapping[str, Any]], most: int) -> None:
    """Refuse a further answer where too many are being made or wait.

    A person who may only read has an eighth of the places, all of them together a half; a person
    who may record has a half.

    Args:
        asker: who asks for it.
        under_way: the states of the jobs that have not ended, of all processes of the service.
        most: largest number of answers that may be under way.

    Raises:
        Problem: with status 429.
    """
    jobs = list(under_way)
    own = sum(job.get("asked_by") == asker.name for job in jobs)
    readers = sum(not job.get("records", True) for job in jobs)
    each = max(1, most // (2 if asker.records else 8))
    if len(jobs) >= most:
        said, code = f"{len(jobs)} plans and reports are waiting already.", "too-many-waiting"
    elif own >= each:
        said, code = f"{own} answers that you asked for are under way.", "too-many-of-yours"
    elif not asker.records and readers >= max(1, most // 2):
        said = f"{readers} answers for persons who may only read are under way."
        code = "too-many-of-readers"
    else:
        return
    raise Problem(
        429, said, code=code, hint="Wait for one of them, or cancel one.",
        headers={"Retry-After": str(problems.RETRY_SECONDS)},
    )  # fmt: skip
