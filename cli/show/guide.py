"""The guide as text: paragraphs folded to the width of a terminal, all else as it is written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, wrap


def topics(document: Mapping[str, Any]) -> str:
    """The list of pages."""
    rows = [f"  {each['topic']:<10} {each['title']}" for each in document["topics"]]
    return "\n".join([bold("The guide: highside guide TOPIC"), *rows])


def page(text: str) -> str:
    """One page, from Markdown."""
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
