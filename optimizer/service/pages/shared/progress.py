"""How far a job is, in words for people."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.text.sentences import Sentence, sentence


def stage_of(progress: Sequence[str], most: int | None) -> Sentence:
    """The stage of a job.

    Args:
        progress: what was said at each stage so far.
        most: largest number of stages of such a job; None where it is not known.

    >>> str(stage_of(["reading the history", "learning from 60 runs"], 3))
    'Stage 2 of up to 3: learning from 60 runs'
    >>> str(stage_of([], 3))
    'Waiting for its turn'
    """
    if not progress:
        return sentence("stage_waiting")
    told = {"number": len(progress), "said": progress[-1]}
    return sentence("stage", **told) if most is None else sentence("stage_of", most=most, **told)


def duration(seconds: int) -> str:
    """A time span in whole seconds.

    >>> duration(125)
    '2 min 5 s'
    """
    minutes, rest = divmod(seconds, 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def queue_before(number: int) -> Sentence | str:
    """How many jobs have to end before one begins; empty for none.

    >>> str(queue_before(2))
    '2 answers are before it.'
    """
    return sentence("answers_before", count=number) if number else ""
