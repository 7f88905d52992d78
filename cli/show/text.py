"""Basic forms of the text of all answers: bold and folded lines, warnings, intervals."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Mapping, Sequence

from optimizer.text.figures import UNKNOWN, percent

WIDTH = 80

INDENT = "     "


def bold(text: str) -> str:
    """Makes a text bold on a terminal; it stays plain in pipes and if NO_COLOR is set."""
    plain = os.environ.get("NO_COLOR") or not sys.stdout.isatty()
    return text if plain else f"\x1b[1m{text}\x1b[0m"


def wrap(text: str, indent: str = "") -> str:
    """Folds a text to lines of at most ``WIDTH`` columns, each indented."""
    return _folded(text, indent, indent)


def _folded(text: str, first: str, indent: str) -> str:
    """A folded text in which no per cent sign is parted from its number."""
    kept = text.replace(" %", "\u00a0%")
    folded = textwrap.fill(kept, WIDTH, initial_indent=first, subsequent_indent=indent)
    return folded.replace("\u00a0%", " %")


def warning_lines(warnings: Sequence[str]) -> list[str]:
    """Lines that list warnings, each marked with an exclamation mark; empty without warnings."""
    if not warnings:
        return []
    return ["", "Mind:", *(_folded(w, "  ! ", "    ") for w in warnings)]


def interval(value: Mapping[str, float | None], form: str = "{} ({}-{})") -> str:
    """The mean and 90 % interval of a fraction, in per cent."""
    if value["mean"] is None:
        return UNKNOWN
    return form.format(*(percent(value[k]) for k in ("mean", "low", "high")))


def short(name: str) -> str:
    """A short name of a setting for the head of a column: one word of its name."""
    words = name.split("_")
    return words[0] if words[-1] in ("rate", "raise") else words[-1]
