"""How far a job is, in words for people."""

from __future__ import annotations

from collections.abc import Sequence


def stage_of(progress: Sequence[str], most: int | None) -> str:
    """The stage of a job.

    Args:
        progress: what was said at each stage so far.
        most: largest number of stages of such a job; None where it is not known.

    >>> stage_of(["reading the history", "learning from 60 runs"], 3)
    'Stage 2 of up to 3: learning from 60 runs'
    >>> stage_of([], 3)
    'Waiting for its turn'
    """
    if not progress:
        return "Waiting for its turn"
    of = "" if most is None else f" of up to {most}"
    return f"Stage {len(progress)}{of}: {progress[-1]}"


def duration(seconds: int) -> str:
    """A time span in whole seconds.

    >>> duration(125)
    '2 min 5 s'
    """
    minutes, rest = divmod(seconds, 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def queue_before(number: int) -> str:
    """How many jobs have to end before one begins; empty for none.

    >>> queue_before(2)
    '2 answers are before it.'
    """
    if not number:
        return ""
    return "1 answer is before it." if number == 1 else f"{number} answers are before it."
