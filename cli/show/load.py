"""Writes the result of a load as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.questions import questions
from cli.show.rejects import rejects
from cli.show.text import bold, warning_lines, wrap


def load(document: Mapping[str, Any], dry_run: bool = False) -> str:
    """The text of a ``highside.load/1`` document, and whether it tells of a dry run."""
    corrected = f"{document['corrected']} corrected, " if "corrected" in document else ""
    added = f"{document['added']} added"
    if "readings" in document:
        added = f"{document['readings']} are readings of {document['added']} added runs"
    total = (
        f"Read {document['read']} rows: {added}, "
        f"{document['already_known']} already known, {corrected}{document['rejected']} rejected."
    )
    lines = [bold(total)]
    for entry in document["files"]:
        if entry.get("error"):
            lines.append(wrap(f"{entry['file']}: not loaded. {entry['error']}", "  "))
        elif len(document["files"]) > 1:
            lines.append(
                f"  {entry['file']}: {entry['read']} read, {entry['added']} added, "
                f"{entry['already_known']} known, "
                + (f"{entry['corrected']} corrected, " if "corrected" in entry else "")
                + f"{entry['rejected']} rejected"
            )
    lines += rejects(document)
    if document["rejects_file"] and document["rejected"]:
        lines.append(wrap(f"Rejected rows are kept in {document['rejects_file']}", "  "))
    lines += questions(document, stored=not dry_run)
    return "\n".join([*lines, *warning_lines(document.get("warnings", ()))])
