"""The output of the command line: answers on stdout, everything else on stderr.

Names, notes and paths come from other people's files. All output passes through this module, where
characters that would control a terminal are written out.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from io import TextIOWrapper
from typing import Any, TextIO, cast

import typer

from optimizer.errors import InputError
from optimizer.text.visible_text import json_text, printable, printable_lines


def fit_streams() -> None:
    """Let no character of an answer end the command.

    What goes to a file or to another program is UTF-8 on every system, as JSON has to be (RFC 8259,
    section 8.1). A terminal that lacks a character is shown its escape.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a caller may have put another kind there
            stream.reconfigure(
                encoding=None if stream.isatty() else "utf-8", errors="backslashreplace"
            )


def _printable_document(value: Any) -> Any:
    """A document in which all texts are printable."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {_printable_document(k): _printable_document(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(map(_printable_document, value))
    return value


class _Printable:
    """A wrapper of a text stream that writes out unprintable characters."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text to the stream with unprintable characters written out."""
        return self._stream.write(printable_lines(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def printable_errors() -> Iterator[None]:
    """A context in which all text on stderr is made printable, including messages about options."""
    stream = sys.stderr
    sys.stderr = cast(TextIO, _Printable(stream))
    try:
        yield
    finally:
        sys.stderr = stream


def answer(document: Mapping[str, Any], as_json: bool, text: Callable[..., str]) -> None:
    """Print an answer, either as JSON alone or as text."""
    typer.echo(json_text(document) if as_json else as_text(document, text))


def as_text(document: Mapping[str, Any], text: Callable[..., str]) -> str:
    """A document as the text that ``text`` makes of it, with all characters printable."""
    return text(_printable_document(document))


def progress(as_json: bool) -> Callable[[str], None]:
    """A function that prints progress on stderr; it is silent for JSON and without a terminal."""
    quiet = as_json or not sys.stderr.isatty()
    return lambda text: None if quiet else typer.echo(f"... {printable(text)}", err=True)


def complain(message: str, hint: str = "") -> None:
    """Print on stderr what went wrong and what to do next."""
    typer.echo(f"highside: {printable(message)}", err=True)
    if hint:
        typer.echo(f"  {printable(hint)}", err=True)


# Exit code of a fault of the program itself, which user input never causes.
FAULT = 70


def check_seed(seed: int) -> int:
    """The seed, if random generators accept it.

    Raises:
        InputError: when the seed is 2**32 or more.
    """
    if seed >= 2**32:
        raise InputError(f"--seed {seed}: expected a number below 2**32.")
    return seed
