"""Writes the changes of runs as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, wrap

_NOT_TOLD = ("run_id", "line", "source", "source_row", "settled")


def changes(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.changes/1`` document."""
    if not document["changes"]:
        return "No run was changed."
    lines: list[str] = []
    for change in document["changes"]:
        by = "" if change["by"] is None else f" by {change['by']}"
        lines.append(
            bold(f"Run {change['run_id']} of line {change['line']}: {change['what']}")
            + f" {change['at'][:16].replace('T', ' ')}{by}, history version {change['version']}"
        )
        lines.append(wrap(f"Reason: {change['reason']}", "  "))
        lines.append(wrap(_values(change), "  "))
    return "\n".join(lines)


def _values(change: Mapping[str, Any]) -> str:
    """The changed values, or those of the whole run."""
    before, after = change["before"], change["after"]
    if change["what"] == "corrected":
        told = (f"{n} {_shown(before[n])} → {_shown(after[n])}" for n in after)
    else:
        whole = before or after
        told = (f"{n} {_shown(whole[n])}" for n in whole if n not in _NOT_TOLD)
    return ", ".join(told) + "."


def _shown(value: Any) -> str:
    if value is None:
        return "empty"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
