"""The errors of the product, with messages that a user can act on.

Every error that the product raises on purpose is a ``HighsideError`` with a stable ``code`` for
machines, a ``message`` that says what was wrong and where, and a ``hint`` that says what to do
next. The class determines the exit code of the command line and the HTTP status of the service;
each of the two converts errors in one place.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

_COLOR = re.compile(r"\x1b\[[0-9;]*m")
_SYSTEM = re.compile(r"Detail: \[errno \d+\] (.+)$")


class HighsideError(Exception):
    """Base of all deliberate errors.

    Args:
        message: what was wrong and where, and what was expected.
        code: stable machine-readable name of the situation, in kebab case.
        hint: what to do next, one sentence; may be empty.
        where: path of the key at fault in the document that was read, such as ``limits.air.low``;
            empty where the fault belongs to no single key.
    """

    exit_code = 2
    default_code = "error"

    def __init__(
        self, message: str, *, code: str | None = None, hint: str = "", where: str = ""
    ) -> None:
        super().__init__(message)
        self.message = message
        self.code = code or self.default_code
        self.hint = hint
        self.where = where

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()

    def as_dict(self) -> dict[str, Any]:
        """The error as the JSON document that the command line and the service return."""
        return {"code": self.code, "message": self.message, "hint": self.hint}


class InputError(HighsideError):
    """Wrong use or unreadable input: a file, an option, a site file or a brief."""

    exit_code = 2
    default_code = "input"


class QuestionError(InputError):
    """A result that is possible but hard to believe; nothing was stored, and a second word would
    store it.

    Args:
        message: the first question, and how many there are.
        questions: the questions, as entries of ``highside.load/1``.
        hint: what to do next.
    """

    default_code = "question"

    def __init__(
        self, message: str, questions: Sequence[Mapping[str, object]], *, hint: str = ""
    ) -> None:
        super().__init__(message, hint=hint)
        self.questions = tuple(questions)

    def as_dict(self) -> dict[str, Any]:
        """The error as a JSON document, with its questions."""
        return {**super().as_dict(), "questions": list(self.questions)}


class ValueRefused(InputError):
    """New values of a run, of which some fail the checks of a loaded row; nothing was stored.

    Args:
        message: what is wrong.
        faults: what is wrong with each field; that of the key ``row`` belongs to no single one.
    """

    default_code = "value"

    def __init__(self, message: str, faults: Mapping[str, str]) -> None:
        super().__init__(message)
        self.faults = dict(faults)


class LimitError(HighsideError):
    """The request is well formed, but nothing can be recommended inside its limits."""

    exit_code = 1
    default_code = "limit"


class HistoryError(HighsideError):
    """The history is damaged, locked, or written by a newer version."""

    exit_code = 3
    default_code = "history"


class Overtaken(HistoryError):
    """Another commit came first and nothing was written; the operation can be started again."""

    default_code = "overtaken"

    def __init__(self, location: str) -> None:
        super().__init__(
            f"others keep writing to history '{location}'.",
            hint="Nothing was added; do the same again when they have ended.",
        )


def reason_of(error: object) -> str:
    """The message of an error of a library or of the system, in a form that fits into a sentence.

    The result is the first line of the message and the causes that it lists, without a final full
    stop.

    >>> reason_of("No commit in the log.\\nstack backtrace: ...")
    'No commit in the log'
    """
    said = str(getattr(error, "strerror", None) or error).strip() or type(error).__name__
    if system := _SYSTEM.search(said):  # pyarrow appends this to its own sentence
        return system[1].rstrip(". ")
    first, *lines = _COLOR.sub("", said).splitlines()
    # The table library prints the causes of an error as a tree; the lines after the tree are a
    # trace.
    causes = [line.strip("↳ ") for line in lines if line.lstrip().startswith("↳")]
    return ": ".join([first, *causes]).rstrip(". ")


def nearest(word: str, known: Iterable[str]) -> str:
    """A hint with the known word closest to ``word``, or with all known words where none is close.

    >>> nearest("feed_rat", ["feed_rate", "air"])
    "Did you mean 'feed_rate'?"
    """
    names = sorted(known)
    close = closest(word, names)
    if close is not None:
        return f"Did you mean '{close}'?"
    return f"Known here: {', '.join(names)}." if names else ""


def closest(word: str, known: Iterable[str]) -> str | None:
    """The known word closest to ``word``; None where none is close."""
    return next(iter(difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.6)), None)
