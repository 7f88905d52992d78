"""Writes the named tokens of a service as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import wrap

MAY = {"read": "may read and plan", "record": "may record"}


def new(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.token/1`` document."""
    until = f", valid until {document['expires']}" if document["expires"] else ""
    return "\n".join(
        [
            wrap(f"The token of {document['name']}, who {MAY[document['role']]}{until}:"),
            "",
            f"  {document['token']}",
            "",
            wrap(
                f"It is shown this once: {document['file']} keeps only its hash. A service that "
                "was started with this file knows it at once."
            ),
        ]
    )


def listed(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.tokens/1`` document."""
    tokens = document["tokens"]
    if not tokens:
        return f"{document['file']} has no token."
    width = max(len(each["name"]) for each in tokens)
    return "\n".join(f"{each['name']:<{width}}  {_about(each)}" for each in tokens)


def revoked(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.tokens/1`` document with the one token that was revoked."""
    (entry,) = document["tokens"]
    return wrap(
        f"The token of {entry['name']} is revoked. A service that was started with this file "
        "refuses it at once, and the sessions that were begun with it."
    )


def _about(entry: Mapping[str, Any]) -> str:
    ends = {
        "valid": f"until {entry['expires']}" if entry["expires"] else "without an end",
        "expired": f"expired, {entry['expires']}",
        "revoked": f"revoked, {entry['revoked']}",
    }
    return f"{entry['role']:<6}  {ends[entry['state']]}"
