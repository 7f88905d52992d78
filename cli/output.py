"""What the command line prints: answers on stdout, everything else on stderr.

Names, notes and paths come from other people's files. Control characters in them would be commands
to a terminal, and marks of writing direction would show another text than there is: whatever is
printed goes through here, where such characters are written out (``\\x1b``).
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TextIO, cast

import typer

from optimizer.errors import InputError

# Control characters (C0, DEL, C1), marks that turn the direction of writing, line and paragraph
# separators, invisible marks and tags, and what is no character: half of a pair.
_UNPRINTABLE = (
    "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f"
)
_ANY = re.compile(f"[{_UNPRINTABLE}]")
_ANY_BUT_LINE_ENDS = re.compile(f"(?!\n)[{_UNPRINTABLE}]")


def printable(text: str) -> str:
    """Text of others as it may be printed: unprintable characters written out.

    >>> printable("deck\\x1b[2J 1")
    'deck\\\\x1b[2J 1'
    """
    return _ANY.sub(_written_out, text)


def printable_lines(text: str) -> str:
    """The same for text that has lines."""
    return _ANY_BUT_LINE_ENDS.sub(_written_out, text)


def _written_out(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape").decode()


def _printable_document(value: Any) -> Any:
    """A document with all its texts printable."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {_printable_document(k): _printable_document(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(map(_printable_document, value))
    return value


class _Printable:
    """A stream of text in which unprintable characters are written out."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """As the stream does."""
        return self._stream.write(printable_lines(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def printable_errors() -> Iterator[None]:
    """While in it, what anybody writes to stderr is printable, wrong options included."""
    stream = sys.stderr
    sys.stderr = cast(TextIO, _Printable(stream))
    try:
        yield
    finally:
        sys.stderr = stream


def as_json_text(document: Mapping[str, Any]) -> str:
    """A document as JSON: the same values, unprintable characters escaped as JSON does it."""
    text = json.dumps(document, indent=1, ensure_ascii=False)
    return _ANY_BUT_LINE_ENDS.sub(lambda found: json.dumps(found[0])[1:-1], text)


def answer(document: Mapping[str, Any], as_json: bool, text: Callable[..., str]) -> None:
    """Print an answer: the JSON alone, or text."""
    typer.echo(as_json_text(document) if as_json else as_text(document, text))


def as_text(document: Mapping[str, Any], text: Callable[..., str]) -> str:
    """A document as text for people."""
    return text(_printable_document(document))


def progress(as_json: bool) -> Callable[[str], None]:
    """Progress lines on stderr of a terminal; silent for machines."""
    quiet = as_json or not sys.stderr.isatty()
    return lambda text: None if quiet else typer.echo(f"... {printable(text)}", err=True)


def complain(message: str, hint: str = "") -> None:
    """Say on stderr what went wrong, and what to do."""
    typer.echo(f"highside: {printable(message)}", err=True)
    if hint:
        typer.echo(f"  {printable(hint)}", err=True)


# Exit code of a fault of the program itself, never of what a user wrote.
FAULT = 70


def check_seed(seed: int) -> int:
    """The seed, bounded to what generators accept."""
    if seed >= 2**32:
        raise InputError(f"--seed {seed}: expected a number below 2**32.")
    return seed
