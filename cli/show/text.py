"""How every answer writes lines, intervals and percentages."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Mapping, Sequence

from optimizer.text.figures import UNKNOWN, percent

WIDTH = 80

INDENT = "     "


def bold(text: str) -> str:
    """Bold on a terminal that wants it; plain for pipes and with NO_COLOR."""
    plain = os.environ.get("NO_COLOR") or not sys.stdout.isatty()
    return text if plain else f"\x1b[1m{text}\x1b[0m"


def wrap(text: str, indent: str = "") -> str:
    """Text folded to the width."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def warning_lines(warnings: Sequence[str]) -> list[str]:
    """Warnings as lines, each after an exclamation mark."""
    if not warnings:
        return []
    folded = [
        textwrap.fill(w, WIDTH, initial_indent="  ! ", subsequent_indent="    ") for w in warnings
    ]
    return ["", "Mind:", *folded]


def interval(value: Mapping[str, float | None], form: str = "{} ({}-{})") -> str:
    """Mean and 90 % interval of a fraction, in per cent."""
    if value["mean"] is None:
        return UNKNOWN
    return form.format(*(percent(value[k]) for k in ("mean", "low", "high")))


def short(name: str) -> str:
    """Last word of a setting's name for the head of a column; the first for rates and raises."""
    words = name.split("_")
    return words[0] if words[-1] in ("rate", "raise") else words[-1]
