"""Writes the summary of a history, and a site file beside a history, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, warning_lines, wrap

_RELATIONS = {
    "same": "",
    "converted": "converted",
    "mixed": "CANNOT BE CONVERTED",
    "new": "no run yet",
}


def history(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.history/1`` document."""
    if not document["runs"]:
        return "The history is empty. Load a log with 'highside load LOG'."
    from optimizer.plant.time_zone import DEFAULT, TimeZone

    zone = TimeZone(document.get("time_zone", DEFAULT))
    lines = [
        bold(f"{document['runs']} runs, history version {document['version']}"),
        f"{'line':<20}{'runs':>8}{'set-points':>12}   {'first':<12}{'last':<12}",
    ]
    for entry in document["lines"]:
        first, last = (zone.day_of(entry[k]) if entry[k] else "undated" for k in ("first", "last"))
        lines.append(
            f"{entry['line']:<20}{entry['runs']:>8}{entry['set_points']:>12}"
            f"   {first:<12}{last:<12}"
        )
    if not zone.is_utc:
        lines.append(f"Days are those of {zone.name}.")
    return "\n".join([*lines, *warning_lines(document.get("warnings", ()))])


def site(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.site/1`` document."""
    plant, history = document["site"], document["history"]
    lines = [
        bold(f"{plant['name']} ({plant['file']})"),
        f"  clock times are {plant['time_zone']}",
        f"  fingerprint {plant['fingerprint'][:16]}",
    ]
    if history["version"] is None:
        lines.append("  the history is empty")
    elif history["described"]:
        lines.append(
            f"  the history was last described in version {history['described_in_version']}, "
            f"by site file {history['fingerprint'][:16]}"
        )
    lines += ["", f"{'column':<20}{'line':<16}{'site file':<14}{'history':<14}"]
    for column in document["columns"]:
        stored = "" if column["stored"] is None else column["stored"] or "fraction"
        if column["meaning"] == "material" and column["column"] != "feed_grade":
            stored = column["stored"] or ""
        row = (
            f"{column['column']:<20}{column['line'] or '':<16}{column['declared']:<14}"
            f"{stored:<14}{_RELATIONS[column['relation']]}"
        )
        lines.append(row.rstrip())
    differences = document["differences"]
    if not differences:
        return "\n".join([*lines, "", "The site file and the history agree."])
    lines += ["", "They differ:"]
    for difference in differences:
        mark = "!! " if difference["mixes"] else "-  "
        lines.append(wrap(difference["text"], "     ").replace("     ", f"  {mark}", 1))
    return "\n".join(lines)
