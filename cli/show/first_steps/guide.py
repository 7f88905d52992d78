"""Writes the guide as text: paragraphs are folded to 80 columns, code and tables are not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, wrap


def topics(document: Mapping[str, Any]) -> str:
    """The list of the guide's pages."""
    rows = [f"  {each['topic']:<10} {each['title']}" for each in document["topics"]]
    return "\n".join([bold("The guide: highside guide TOPIC"), *rows])


def page(text: str) -> str:
    """One page of the guide, whose Markdown is turned into plain text."""
    lines: list[str] = []
    verbatim = False
    for line in text.rstrip().splitlines():
        if line.startswith("```"):
            verbatim = not verbatim
        elif verbatim:
            lines.append(f"    {line}")
        elif line.startswith("#"):
            lines.append(bold(line.lstrip("# ")))
        elif line.startswith("- "):
            lines.append(wrap(line, "  ").removeprefix("  "))
        elif line.startswith("|"):
            lines.append(line)
        else:
            lines.append(wrap(line) if line else "")
    return "\n".join(lines)
