"""Issued batches as documents: ``highside.batch/1`` and ``highside.batches/1``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, TypeAlias

from optimizer.campaign.lessons import BestReadings, Lesson, lesson_of
from optimizer.campaign.surprise import sentences, surprise_of
from optimizer.history.issued import RUNNING, TO_RUN, IssuedBatch, IssuedTrial
from optimizer.history.summary import iso
from optimizer.interval import rounded
from optimizer.planning.plan import row_of
from optimizer.plant.run_columns import OF_MIDDLINGS
from optimizer.plant.site import Site
from optimizer.text.visible_text import json_end, json_pieces

SCHEMA = "highside.batches/1"
Readings: TypeAlias = Mapping[str, Sequence[Mapping[str, Any]]]
NOTHING_BEFORE: Readings = MappingProxyType({})
MEASURED = ("grade", "grade_se", "recovery", "recovery_se")
"""Columns of a run that ``measured`` tells; besides them those of middlings that the run has."""


@dataclass(frozen=True)
class Trial:
    """A trial of a batch with the surprise of its result.

    Attributes:
        issued: the trial and its state.
        surprise: z of grade and recovery; None without a reading or an expectation.
    """

    issued: IssuedTrial
    surprise: Mapping[str, float | None] | None

    @property
    def says(self) -> tuple[str, ...]:
        """A sentence for each quantity that is surprising."""
        return sentences(self.issued.trial, self.surprise)

    def as_dict(self) -> dict[str, Any]:
        """JSON form, part of ``highside.batch/1``."""
        trial, run = self.issued, self.issued.run
        measured = None if run is None else {name: rounded(run.get(name)) for name in MEASURED}
        if run is not None and measured is not None:
            read = {name: run.get(name) for name in OF_MIDDLINGS}
            measured |= {name: rounded(value) for name, value in read.items() if value is not None}
        return {
            "trial": trial.trial,
            "order": trial.order,
            "rank": trial.rank,
            "state": trial.state,
            **({} if trial.reason is None else {"reason": trial.reason}),
            "planned": dict(trial.planned),
            "run": trial.as_run,
            "run_id": None if run is None else run["run_id"],
            "expected": {name: dict(ends) for name, ends in trial.expected.items()},
            "measured": measured,
            "surprise": None if self.surprise is None else dict(self.surprise),
        }


@dataclass(frozen=True)
class Batch:
    """An issued batch with the surprise of each result."""

    issued: IssuedBatch
    trials: tuple[Trial, ...]

    @property
    def in_turn(self) -> tuple[Trial, ...]:
        """The trials as people at the deck need them: of an open batch first what runs, then what
        is to run, then what is settled."""
        if not self.issued.is_open:
            return self.trials
        turn = {RUNNING: 0, TO_RUN: 1}
        return tuple(sorted(self.trials, key=lambda trial: turn.get(trial.issued.state, 2)))

    @property
    def says(self) -> tuple[str, ...]:
        """A sentence for each surprising reading."""
        return tuple(sentence for trial in self.trials for sentence in trial.says)

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.batch/1`` document."""
        issued, closed = self.issued, self.issued.closed_at
        return {
            "schema": "highside.batch/1",
            "batch": issued.batch,
            "line": issued.line,
            "issued_at": iso(issued.issued_at),
            "issued_by": issued.issued_by,
            "closed_at": None if closed is None else iso(closed),
            "history_version": issued.plan["history_version"],
            "brief": dict(issued.brief),
            "plan": dict(issued.plan),
            "trials": [trial.as_dict() for trial in self.trials],
        }

    def rows(self) -> list[dict[str, Any]]:
        """One flat row for each trial in the order in which to run them: its number as ``run_id``,
        and the columns of ``suggest --format csv``."""
        planned = {each["order"]: each for each in self.issued.plan["recommendations"]}
        return [
            {"run_id": t.issued.trial, **row_of(self.issued.line, planned[t.issued.order])}
            for t in self.trials
        ]


@dataclass(frozen=True)
class Batches:
    """The batches of a history, in the order of their issue, and what each taught."""

    batches: tuple[Batch, ...]
    lessons: tuple[Lesson, ...]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.batches/1`` document; ``taught`` holds the finished batches only."""
        return {
            "schema": SCHEMA,
            "batches": [batch.as_dict() for batch in self.batches],
            "taught": [each.as_dict() for each in self.lessons if each.closed_at is not None],
        }


def batches_in_pieces(told: Iterable[tuple[Batch, Lesson]]) -> Iterator[bytes]:
    """The ``highside.batches/1`` document as JSON, in pieces: one batch at a time is in memory.

    Args:
        told: what ``told_in_turn`` gives.
    """
    taught = []

    def documents() -> Iterator[dict[str, Any]]:
        for batch, lesson in told:
            if lesson.closed_at is not None:
                taught.append(lesson.as_dict())
            yield batch.as_dict()

    yield from json_pieces({"schema": SCHEMA}, "batches", documents())
    yield json_end({"taught": taught})


def batch_of(issued: IssuedBatch) -> Batch:
    """An issued batch with the surprise of each result."""
    return Batch(issued, tuple(_trial(issued, trial) for trial in issued.trials))


def batches_of(
    issued: Iterable[IssuedBatch], site: Site, before: Readings = NOTHING_BEFORE
) -> Batches:
    """Issued batches with the surprise of each result, and what each taught.

    Arguments are those of ``told_in_turn``.
    """
    found = tuple(told_in_turn(issued, site, before))
    return Batches(tuple(batch for batch, _ in found), tuple(lesson for _, lesson in found))


def told_in_turn(
    issued: Iterable[IssuedBatch], site: Site, before: Readings = NOTHING_BEFORE
) -> Iterator[tuple[Batch, Lesson]]:
    """Each issued batch with the surprise of its results, and what it taught, one by one.

    Args:
        issued: batches in the order of their issue, with settings in the units of the site.
        site: the plant.
        before: by line, the readings of the batches that were issued before them (see
            ``history.issued_numbers.readings_before``).
    """
    readings = BestReadings(before)
    for each in issued:
        batch = batch_of(each)
        surprises = [trial.surprise for trial in batch.trials]
        yield batch, lesson_of(each, surprises, readings, site)


def _trial(batch: IssuedBatch, trial: IssuedTrial) -> Trial:
    if trial.run is None:
        return Trial(trial, None)
    noise = batch.noise.get(str(trial.order), {})
    return Trial(trial, surprise_of(trial.expected, trial.run, noise))
