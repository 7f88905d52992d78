"""Writes the summary of a history as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, warning_lines


def history(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.history/1`` document."""
    if not document["runs"]:
        return "The history is empty. Load a log with 'highside load LOG'."
    lines = [
        bold(f"{document['runs']} runs, history version {document['version']}"),
        f"{'line':<20}{'runs':>8}{'set-points':>12}   {'first':<12}{'last':<12}",
    ]
    for entry in document["lines"]:
        first, last = ((entry[k] or "undated")[:10] for k in ("first", "last"))
        lines.append(
            f"{entry['line']:<20}{entry['runs']:>8}{entry['set_points']:>12}"
            f"   {first:<12}{last:<12}"
        )
    return "\n".join([*lines, *warning_lines(document.get("warnings", ()))])
