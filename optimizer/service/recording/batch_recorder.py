"""Records what happens to issued batches: their issue, changes of trials, results, closing."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any
from urllib.parse import quote

from optimizer.campaign import Batch
from optimizer.errors import InputError
from optimizer.history.issued import RUNNING, SKIPPED_STATE, TO_RUN
from optimizer.operations.batches import (
    batch,
    close_batch,
    reopen_trial,
    skip_trial,
    start_trial,
)
from optimizer.operations.issuing import issue_plan
from optimizer.operations.trial_results import add_result
from optimizer.plant.site import Site
from optimizer.service.exchange.metrics import Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.recorder import Recorder
from optimizer.text.trial_numbers import batch_of_trial

HAS_RESULT, CLOSED = "trial-has-result", "batch-closed"
STATES = (RUNNING, SKIPPED_STATE, TO_RUN)
"""States into which a person can put a trial."""

Sender = Mapping[str, Any]


class BatchRecorder:
    """Changes the issued batches of one history.

    Each change is on disk, and in the audit trail, before it is answered.

    Args:
        recorder: recorder of runs, whose turn the changes wait for.
        audit: audit trail, which records who changed what.
        metrics: counters of issued batches and added runs.
    """

    def __init__(self, recorder: Recorder, audit: Audit, metrics: Metrics) -> None:
        self._recorder = recorder
        self._history = recorder.history
        self._audit = audit
        self._metrics = metrics

    @property
    def _site(self) -> Site:
        return self._recorder.site

    async def issue(
        self, about: dict[str, Any], version: int | None, sender: Sender
    ) -> Batch | None:
        """Issue a plan.

        Args:
            about: what ``plan_to_issue`` returned.
            version: version of the history from which the plan was made.
            sender: entries of the audit trail about the sender.

        Returns:
            The batch; None when runs or batches of its line were added after that version, so that
            the plan must be made again.

        Raises:
            HighsideError: the errors of ``issue_plan``.
        """
        history, site = self._history, self._site

        def issued() -> Batch | None:
            snapshot = history.at(version)
            if issue_plan(history, site, snapshot, about, sender["who"]) is None:
                return None
            return batch(history, about["batch"], site)

        done = await self._recorder.write(issued)
        if done is not None:
            await self._note(sender, did="issue", batch=done.issued.batch)
            self._metrics.count("batches_issued")
        return done

    async def change(self, trial: str, state: str, reason: str, sender: Sender) -> Batch:
        """Put a trial into one of ``STATES``.

        Args:
            trial: id of the trial.
            state: the state.
            reason: why the trial is skipped; empty for another state.
            sender: entries of the audit trail about the sender.

        Raises:
            InputError: when there is no such trial, or its state does not allow the change.
            Problem: with status 409 when the trial has a result or its batch is closed.
        """
        given = {"site": self._site, "by": sender["who"]}
        change: Callable[[], Batch]
        if state == SKIPPED_STATE:
            change = partial(skip_trial, self._history, trial, reason, **given)
        else:
            act = start_trial if state == RUNNING else reopen_trial
            change = partial(act, self._history, trial, **given)
        done = await self._written(change, batch_of_trial(trial), trial)
        said = {"reason": reason} if reason else {}
        await self._note(sender, did="trial", trial=trial, state=state, **said)
        return done

    async def close(self, batch_id: str, sender: Sender) -> Batch:
        """Close a batch by hand.

        Raises:
            InputError: when there is no such batch.
            Problem: with status 409 when it is closed.
        """
        close = partial(close_batch, self._history, batch_id, self._site, by=sender["who"])
        done = await self._written(close, batch_id)
        await self._note(sender, did="close", batch=batch_id)
        return done

    async def result(
        self, trial: str, result: Mapping[str, object], sender: Sender, sure: bool = False
    ) -> Batch:
        """Add the result of a trial.

        Args:
            trial: id of the trial.
            result: columns and values; ``settings`` and ``material`` hold values by name.
            sender: entries of the audit trail about the sender.
            sure: whether a result that is possible but hard to believe is stored.

        Raises:
            QuestionError: when the result is hard to believe and ``sure`` is False.
            InputError: when there is no such trial, or the result has an unknown name.
            Problem: with status 409 when the trial has a result, its batch is closed, or the same
                result was withdrawn; with status 422 when the result is rejected.
        """
        history, site = self._history, self._site

        batch_id = batch_of_trial(trial)

        def added() -> Batch:
            report = add_result(history, site, trial, result, sure)
            if not report.added:
                raise _rejected(report.as_dict()) if report.rejected else _withdrawn(trial)
            return batch(history, batch_id, site)

        done = await self._written(added, batch_id, trial)
        await self._note(sender, did="result", trial=trial)
        self._metrics.count("runs_added")
        return done

    async def _written(
        self, change: Callable[[], Batch], batch_id: str, trial: str | None = None
    ) -> Batch:
        try:
            return await self._recorder.write(change)
        except InputError as error:
            if error.code not in (HAS_RESULT, CLOSED):
                raise
            raise await asyncio.to_thread(self._conflict, error, batch_id, trial) from None

    def _conflict(self, error: InputError, batch_id: str, trial: str | None) -> Problem:
        """The error for a second result, or for a closed batch, with what is there."""
        found = batch(self._history, batch_id, self._site).as_dict()
        if error.code == CLOSED:
            there = {key: found[key] for key in ("batch", "closed_at")}
            hint = "Add another run with POST /v1/runs, or issue a plan with POST /v1/batches."
        else:
            there = next(each for each in found["trials"] if each["trial"] == trial)
            hint = (
                f"Correct it with PATCH /v1/runs/{quote(trial or '', safe='')} and a reason, or "
                f"with: highside correct {trial} --reason TEXT. Add another run with POST /v1/runs."
            )
        return Problem(409, error.message, code=error.code, hint=hint, more={"there": there})

    async def _note(self, sender: Sender, **entry: Any) -> None:
        version = await asyncio.to_thread(lambda: self._history.version)
        await self._audit.note(**entry, **sender, version=version)


def _withdrawn(trial: str) -> Problem:
    """The error for a result that was withdrawn with exactly these values and this start."""
    return Problem(
        409,
        f"this result of trial '{trial}' was withdrawn, so recording it again adds nothing.",
        code="withdrawn-result",
        hint=f"Take it back with PATCH /v1/runs/{quote(trial, safe='')} and "
        f'"withdrawn": false, or with: highside withdraw {trial} --undo --reason TEXT.',
    )


def _rejected(report: Mapping[str, Any]) -> Problem:
    """The error for a result that cannot be used."""
    first = next(iter(report["rejects"]), {"field": "", "reason": "nothing was given."})
    where = f"{first['field']}: " if first["field"] else ""
    return Problem(
        422,
        f"the result was not recorded. {where}{first['reason']}",
        code="result-rejected",
        hint="'rejects' names each field and what is wrong with it.",
        more=report,
    )
