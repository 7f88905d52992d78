"""Adds the result of an issued trial without planning, as the service does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from optimizer.intake.settling.load import LoadOptions, LoadReport, load_table
from optimizer.operations.batches import trial_to_record
from optimizer.operations.recording import complete_rows
from optimizer.operations.trial_rows import trial_row
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History

FILE = "result"
"""File name that the report uses for a result."""


def add_result(
    history: History, site: Site, trial: str, result: Mapping[str, object], sure: bool = False
) -> LoadReport:
    """Adds the result of an issued trial.

    A result that is rejected is not kept among the rejected rows of the history, since whoever
    sent it reads the reason in the report and sends it again.

    Args:
        history: the run history.
        site: the plant.
        trial: id of the trial.
        result: columns and values, as of ``record``.
        sure: whether a result that is possible but hard to believe is stored.

    Raises:
        QuestionError: when the result is hard to believe and ``sure`` is False; nothing is stored.
        InputError: as of ``record``: the trial does not exist (code ``unknown-trial``), has a
            result (``trial-has-result``), or its batch was closed by hand (``batch-closed``).
        HistoryError: when the history cannot be read or written.
    """
    # The state is checked where no other load of this machine can come between. Where one of
    # another machine does, the id of the run still refuses a second result.
    with history.lock():
        batch, planned = trial_to_record(history.at(), trial, site)
        row = trial_row(batch, planned, result, site, history.clock())
        rows = complete_rows([row], site, batch.line)
        checked = load_table(rows, history, site, file=FILE, options=LoadOptions(dry_run=True))
        if checked.rejected:
            return checked
        done = load_table(rows, history, site, file=FILE, options=LoadOptions(sure=sure))
    if done.added == 0:
        trial_to_record(history.at(), trial, site)
    return done
