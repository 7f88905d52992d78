"""What a history with issued batches must hold, in plain Python: the reference of a state machine.

The model keeps every version as a copy and knows nothing of files, commits, events or hashes. Each
method does what one operation of the product does and returns what the product must answer: a
code of refusal, or what was done.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

Place = tuple[str, str]
"""Line and id of a run."""
Content = tuple[Any, ...]
"""Start, air, grade, recovery and deck state of a run."""

TO_RUN, RUNNING, SKIPPED, DONE, FAILED = "to run", "running", "skipped", "done", "failed"
DONE_IT = "done it"
"""Answer of an operation that is not refused."""
EVEN = "even"
DECK_STATE = -1
"""Position of the deck state in a content."""


@dataclass
class Issued:
    """An issued batch: its line, its number, and the states of its trials as set by hand."""

    line: str
    number: int
    by_hand: dict[str, str]
    closed: bool = False


@dataclass
class Model:
    """One version of a history.

    Attributes:
        runs: the runs that are there.
        former, withdrawn: what a run was before, since it was added or last taken back; and what a
            run was that is withdrawn; oldest first.
        batches: the issued batches, by id.
        numbers: the highest number of a batch that was ever issued, by line.
    """

    runs: dict[Place, Content] = field(default_factory=dict)
    former: dict[Place, list[Content]] = field(default_factory=dict)
    withdrawn: dict[Place, list[Content]] = field(default_factory=dict)
    batches: dict[str, Issued] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)

    def copy(self) -> Model:
        return deepcopy(self)

    def restored(self, earlier: Model) -> Model:
        """The version that restoring an earlier one makes: no number is given again."""
        found = earlier.copy()
        found.numbers = dict(self.numbers)
        return found

    # -- what can be seen --------------------------------------------------------------------

    def states(self) -> dict[str, str]:
        """State of each issued trial."""
        return {t: self.state(b, t) for b in self.batches.values() for t in b.by_hand}

    def state(self, batch: Issued, trial: str) -> str:
        run = self.runs.get((batch.line, trial))
        if run is None:
            return batch.by_hand[trial]
        return DONE if run[DECK_STATE] == EVEN else FAILED

    def complete(self, batch: Issued) -> bool:
        return not {self.state(batch, t) for t in batch.by_hand} & {TO_RUN, RUNNING}

    def closed(self) -> dict[str, bool]:
        """Whether each batch is closed."""
        return {name: b.closed or self.complete(b) for name, b in self.batches.items()}

    # -- batches -----------------------------------------------------------------------------

    def issue(self, line: str, trials: int) -> str:
        """Returns the id of the batch."""
        number = self.numbers.get(line, 0) + 1
        while any(run.startswith(f"{line}-{number}.") for own, run in self.runs if own == line):
            number += 1
        self.numbers[line] = number
        name = f"{line}-{number}"
        by_hand = {f"{name}.{k + 1}": TO_RUN for k in range(trials)}
        self.batches[name] = Issued(line, number, by_hand)
        return name

    def _batch(self, trial: str) -> Issued | None:
        return next((b for b in self.batches.values() if trial in b.by_hand), None)

    def _refusal(self, trial: str) -> str | None:
        batch = self._batch(trial)
        if batch is None:
            return "unknown-trial"
        if (batch.line, trial) in self.runs:
            return "trial-has-result"
        return "batch-closed" if batch.closed else None

    def set_state(self, trial: str, allowed: Sequence[str], state: str) -> str:
        refusal = self._refusal(trial)
        if refusal is not None:
            return refusal
        batch = self._batch(trial)
        assert batch is not None
        if batch.by_hand[trial] not in allowed:
            return "trial-state"
        batch.by_hand[trial] = state
        return DONE_IT

    def close(self, batch: str) -> str:
        if batch not in self.batches:
            return "unknown-batch"
        if self.closed()[batch]:
            return "batch-closed"
        self.batches[batch].closed = True
        return DONE_IT

    def record(self, trial: str, content: Content) -> str:
        """Returns the refusal, or what became of the row (see ``load``)."""
        refusal = self._refusal(trial)
        if refusal is not None:
            return refusal
        batch = self._batch(trial)
        assert batch is not None
        return self.load((batch.line, trial), content)

    # -- runs --------------------------------------------------------------------------------

    def load(self, place: Place, content: Content, correcting: bool = False) -> str:
        """A row that states its run id: added, already_known, corrected or rejected."""
        now = self.runs.get(place)
        if now == content or content in self._past(place):
            return "already_known"
        if now is None:
            self.runs[place] = content
            return "added"
        if not correcting:
            return "rejected"
        self.correct(place, content)
        return "corrected"

    def knows(self, line: str, content: Content) -> bool:
        """Whether a row without a run id is a run of the line, present or former."""
        places = {p for p in (*self.runs, *self.former, *self.withdrawn) if p[0] == line}
        return any(content in (self.runs.get(p), *self._past(p)) for p in places)

    def _past(self, place: Place) -> list[Content]:
        return [*self.former.get(place, []), *self.withdrawn.get(place, [])]

    def correct(self, place: Place, content: Content) -> str:
        if place not in self.runs:
            return self._absent(place)
        if self.runs[place] == content:
            return "nothing-changes"
        self.former.setdefault(place, []).append(self.runs[place])
        self.runs[place] = content
        return DONE_IT

    def withdraw(self, place: Place) -> str:
        if place not in self.runs:
            return self._absent(place)
        gone = [*self.former.pop(place, []), self.runs.pop(place)]
        self.withdrawn[place] = [*self.withdrawn.get(place, []), *gone]
        batch = self._batch(place[1])
        if batch is not None and batch.line == place[0]:
            batch.by_hand[place[1]] = TO_RUN
        return DONE_IT

    def reinstate(self, place: Place) -> str:
        if place not in self.withdrawn:
            return "not-withdrawn" if place in self.runs else "unknown-run"
        if place in self.runs:
            return "id-taken"
        gone = self.withdrawn.pop(place)
        self.runs[place] = gone[-1]
        self.former[place] = [*self.former.get(place, []), *gone]
        return DONE_IT

    def _absent(self, place: Place) -> str:
        elsewhere = any(run == place[1] for _, run in self.runs)
        gone = any(run == place[1] for _, run in self.withdrawn)
        return "withdrawn-run" if gone and not elsewhere else "unknown-run"
