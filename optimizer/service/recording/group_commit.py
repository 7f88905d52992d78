"""Group commits: small loads that wait at the same time share one commit, each with its own report.

A commit costs as much for one row as for a thousand. Requests that arrive while a commit is written
wait, and the next commit includes all of them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from typing import Any

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.intake.settling.load import LoadOptions, LoadReport, load_table, load_tables
from optimizer.service.exchange.current_site import CurrentSite

NAME = "rows"
"""File name that the report uses for the rows of a request."""
MOST_ROWS = 1000
"""Largest number of rows in a shared commit, which is the number of rejected rows that a report can
name."""

Rows = Sequence[Mapping[str, Any]]


@dataclass
class _Waiting:
    """The waiting rows of one request, and the future of their report."""

    rows: Rows
    options: LoadOptions
    taken: bool = False
    done: asyncio.Future[LoadReport] = field(
        default_factory=lambda: asyncio.get_running_loop().create_future()
    )


class GroupCommit:
    """The loads of one process into one history.

    Args:
        history: history to which the runs are added.
        plant: the site file as it stands.
        turn: lock that is held while a commit is written.
        recording: context that is entered around each commit, in its thread.
    """

    def __init__(
        self,
        history: History,
        plant: CurrentSite,
        turn: asyncio.Lock,
        recording: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._history = history
        self._plant = plant
        self._turn = turn
        self._recording = recording
        self._waiting: list[_Waiting] = []
        self._writing: set[asyncio.Task[None]] = set()

    async def load(self, rows: Rows, line: str | None, sure: bool = True) -> LoadReport:
        """Load rows, and return when they are on disk, with a report of only these rows.

        Raises:
            HighsideError: the errors of ``load_table``.
        """
        mine = _Waiting(rows, LoadOptions(line, sure=sure))
        self._waiting.append(mine)
        async with self._turn:
            if not mine.taken:
                task = asyncio.create_task(self._write(self._group(mine)))
                self._writing.add(task)
                task.add_done_callback(self._writing.discard)
                # The task is shielded: a sender that disconnects does not end the work that others
                # wait for.
                await asyncio.shield(task)
        return await mine.done

    def _group(self, first: _Waiting) -> list[_Waiting]:
        """The requests that can share a commit with the first one, which is included, in order of
        arrival."""
        group: list[_Waiting] = []
        left = MOST_ROWS - len(first.rows)
        for one in self._waiting:
            if one is not first and (one.options != first.options or len(one.rows) > left):
                continue
            left -= 0 if one is first else len(one.rows)
            one.taken = True
            group.append(one)
        self._waiting = [one for one in self._waiting if not one.taken]
        return group

    async def _write(self, group: list[_Waiting]) -> None:
        try:
            reports: Sequence[LoadReport | Exception]
            reports = await asyncio.to_thread(
                self._load, [one.rows for one in group], group[0].options
            )
        except Exception as error:
            reports = [error] * len(group)
        for one, report in zip(group, reports, strict=True):
            if one.done.cancelled():
                continue
            if isinstance(report, Exception):
                one.done.set_exception(report)
            else:
                one.done.set_result(report)

    def _load(self, each: list[Rows], options: LoadOptions) -> list[LoadReport | Exception]:
        with self._recording():
            return self._load_each(each, options)

    def _load_each(self, each: list[Rows], options: LoadOptions) -> list[LoadReport | Exception]:
        if len(each) > 1:
            names = [f"{NAME}-{k}" for k in range(len(each))]
            try:
                whole = load_tables(
                    dict(zip(names, each, strict=True)),
                    self._history,
                    self._plant.site,
                    options=options,
                )
                return [part_of(whole, name) for name in names]
            except InputError:
                pass  # an error of one request: each is then loaded alone, and the faulty one fails
        return [self._alone(rows, options) for rows in each]

    def _alone(self, rows: Rows, options: LoadOptions) -> LoadReport | Exception:
        try:
            return load_table(rows, self._history, self._plant.site, file=NAME, options=options)
        except Exception as error:
            return error


def part_of(whole: LoadReport, name: str) -> LoadReport:
    """The part of a report about one of its files, equal to the report of loading that file
    alone."""
    rejects = tuple({**r, "file": NAME} for r in whole.rejects if r["file"] == name)
    questions = tuple(replace(q, file=NAME) for q in whole.questions if q.file == name)
    warnings = tuple(w.replace(name, NAME) for w in whole.warnings if f"{name} " in f"{w} ")
    return replace(
        whole,
        files=tuple(replace(f, file=NAME) for f in whole.files if f.file == name),
        rejects=rejects,
        rejects_file=whole.rejects_file if rejects else None,
        warnings=warnings,
        questions=questions,
        questions_total=len(questions),
    )
