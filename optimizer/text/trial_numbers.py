"""The numbers of batches and of their trials, which terminal, sheet, page and record show alike.

A batch is ``<line>-<n>``, where n counts up on the line; a trial is ``<line>-<n>.<k>``, where k is
the order in which to run the trials. The parts are cut off from the right, so that a number is
unambiguous whatever the line is called.
"""

from __future__ import annotations


def id_of_batch(line: str, number: int) -> str:
    """The id of a batch.

    >>> id_of_batch("deck-1", 7)
    'deck-1-7'
    """
    return f"{line}-{number}"


def id_of_trial(batch: str, order: int) -> str:
    """The id of a trial.

    >>> id_of_trial("deck-1-7", 2)
    'deck-1-7.2'
    """
    return f"{batch}.{order}"


def line_of_batch(batch: str) -> str:
    """The line that the id of a batch names.

    >>> line_of_batch("deck-1-7")
    'deck-1'
    """
    return batch.rpartition("-")[0]


def batch_of_trial(trial: str) -> str:
    """The batch that the id of a trial names.

    >>> batch_of_trial("deck-1-7.2")
    'deck-1-7'
    """
    return trial.rpartition(".")[0]
