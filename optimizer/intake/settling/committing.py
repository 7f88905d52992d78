"""Commits a load, with the corrections that it makes, in one step; then stores its rejects."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import HighsideError, HistoryError, InputError, QuestionError
from optimizer.history.changes import Why
from optimizer.history.schema import schema_of
from optimizer.history.storage.rewriting import Rewriting
from optimizer.history.storage.samples import SampleStore
from optimizer.intake.settling.correcting import stored_runs
from optimizer.intake.settling.describing import described
from optimizer.intake.settling.load_report import LoadReport
from optimizer.intake.settling.loading import Load
from optimizer.intake.settling.log_files import LogFile
from optimizer.intake.settling.rejects import PLACE, SCHEMA, RejectsStore

MOST_CORRECTED = 50_000
"""Largest number of runs that one load corrects, since its commit tells of each."""


def run_load(load: Load, given: Sequence[LogFile]) -> LoadReport:
    """Run a load to its end: one commit, then the rejects.

    The commit comes first, so that after a crash between the two steps a repeated load adds nothing
    twice and finds the rejects again.

    Raises:
        QuestionError: when a row raises a question and the options say that nobody is sure of it;
            nothing is stored then.
    """
    history, schema = load.history, schema_of(load.site)
    if load.options.dry_run:
        fresh = list(described(load, given))
        deque(_corrected_runs(load, None), 0)
        load.settle(iter([*history.keys(sorted(load.lines)), *fresh]))
        return load.report(None, history.version)
    with history.lock():
        rewriting = None if load.options.correcting is None else history.rewriting()
        runs = chain(_with_readings_kept(load, given), _corrected_runs(load, rewriting))
        if not load.options.sure:
            runs = chain(_if_sure(load, runs))
        version = history.append(runs, schema, load.events, rewriting)
        try:
            rejects_file = _keep_rejects(load)
        except Exception as error:
            if not (added := sum(tally.added for tally in load.tallies)):
                raise
            raise _stored_but(added, version, error) from error
    return load.report(rejects_file, version)


def _if_sure(load: Load, runs: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
    """All runs, once it is known that none of them raises a question.

    The runs are made inside the commit, so that no other load can come between.
    """
    found = list(runs)
    questions, total = load.questions()
    if questions:
        more = f" There {_are(total - 1)} more." if total > 1 else ""
        raise QuestionError(
            f"nothing is stored, because this is hard to believe: {questions[0].sentence}{more}",
            [question.as_dict() for question in questions],
            hint="Correct it; if it is right, give it again with --sure.",
        )
    yield from found


def _are(questions: int) -> str:
    return "is 1 question" if questions == 1 else f"are {questions} questions"


def _keep_rejects(load: Load) -> Path | None:
    """Store the rejected rows of a committed load; returns the path of their file, or None."""
    history = load.history
    load.settle(history.keys(sorted(load.lines)) if load.conflicts else iter(()))
    # Row 0 stands for a whole file, which the user still has.
    rejected = load.rejected
    rows = rejected.filter(pc.greater(rejected["row"], 0))
    rejects_file = None
    if len(rows) or load.mended:
        mended = pa.concat_tables([SCHEMA.empty_table().select(PLACE), *load.mended])
        rejects_file = RejectsStore(history.rejects_folder).update(rows, mended)
    return rejects_file if len(rows) else None


def _stored_but(added: int, version: int | None, error: Exception) -> HistoryError:
    """The error for a failure after rows were stored, whose message says that they are stored."""
    said = error.message if isinstance(error, HighsideError) else f"{error}"
    return HistoryError(
        f"{added} row{'s are' if added > 1 else ' is'} stored (history version {version}), but "
        f"the rejected rows could not be stored: {said}",
        code="rejects-not-kept",
        hint="Load the same again: what is stored is not added twice, and what is rejected is "
        "found again.",
    )


def _corrected_runs(load: Load, rewriting: Rewriting | None) -> Iterator[pa.RecordBatch]:
    """The rewritten runs of a load whose rows may correct known runs.

    The events of the corrections are added to those of the load.

    Args:
        load: the load, after all its logs were read.
        rewriting: files of the version that the load follows; None for a load that writes nothing.

    Raises:
        InputError: when the load corrects too many runs.
    """
    asked = load.options.correcting
    if asked is None or not load.conflicts:
        return
    known = stored_runs(load.history, load.conflicts.places)
    before, after = load.conflicts.correct(known, load.filled)
    if len(before) > MOST_CORRECTED:
        raise InputError(
            f"the logs correct {len(before)} runs, and one load corrects at most {MOST_CORRECTED}.",
            hint="Load them in parts.",
        )
    if rewriting is not None and len(before):
        why = Why(load.history.clock(), asked.by, asked.reason)
        load.events += why.corrected(before, after)
        yield from rewriting.batches(after, {})


def _with_readings_kept(load: Load, given: Sequence[LogFile]) -> Iterator[pa.RecordBatch]:
    """Batches of new runs; before the last batch is returned, the readings behind the runs are
    stored."""
    yield from described(load, given)
    if load.readings:
        folder = load.history.samples_folder
        SampleStore(folder).add(pa.concat_tables(load.readings))
        if load.history.folder is None:
            load.warnings.append(f"the readings are kept on this machine, in '{folder}'")
