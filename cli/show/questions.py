"""Writes questions about hard-to-believe values as text: each is asked once, with its rows."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from cli.show.rejects import MOST_SHOWN, rows_in_words
from cli.show.text import WIDTH

_VARYING = re.compile(r"'[^']*'|[-+]?\d[\d.,:TZe+-]*")

Question = Mapping[str, Any]


def questions(document: Mapping[str, Any], stored: bool = True) -> list[str]:
    """Lines about the questions of a ``highside.load/1`` document, in groups.

    The rows of a group are from one file and raise the same question about the same field; the
    values may differ.

    Args:
        document: the document.
        stored: whether the rows are stored.
    """
    asked = document.get("questions", ())
    if not asked:
        return []
    groups: dict[tuple[str, str, str], list[Question]] = {}
    for question in asked:
        kind = _VARYING.sub("#", question["why"])
        groups.setdefault((question["file"], question["field"], kind), []).append(question)
    shown = list(groups.values())[:MOST_SHOWN]
    lines = [
        textwrap.fill(_sentence(group), WIDTH, initial_indent="  ? ", subsequent_indent="    ")
        for group in shown
    ]
    left = document.get("questions_total", len(asked)) - sum(map(len, shown))
    lines += [f"  ... and {left} more."] if left > 0 else []
    return ["", "Hard to believe:", *lines, *_advice(asked, stored)]


def _sentence(group: Sequence[Question]) -> str:
    """The rows, the first question of a group, and its run."""
    first = group[0]
    rows = sorted({question["row"] for question in group})
    place = f"{first['file']}, {rows_in_words(rows)}" if rows[0] else first["file"]
    run = f" (run '{first['run_id']}')" if len(group) == 1 and first["run_id"] else ""
    said = first["why"] if first["why"].endswith("?") else f"{first['why']}."
    return f"{place}{run}: {'for example, ' if len(group) > 1 else ''}{said}"


def _advice(asked: Sequence[Question], stored: bool) -> list[str]:
    if not stored:
        return ["  Nothing is stored yet: correct in the log what is wrong."]
    run_id = next((question["run_id"] for question in asked if question["run_id"]), "RUN_ID")
    return [
        "  The rows are stored. What is right needs nothing. What is wrong is mended with",
        f"    highside correct '{run_id}' --reason TEXT and the right values, or",
        f"    highside withdraw '{run_id}' --reason TEXT",
    ]
