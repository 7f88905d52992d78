"""Writes the answer of the demo as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.history import history
from cli.show.load import load
from cli.show.plan import plan
from cli.show.text import wrap


def demo(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.demo/1`` document."""
    folder = document["folder"]
    again = f"cd {folder} && highside suggest --brief brief.toml"
    return "\n".join(
        [
            load(document["load"]),
            "",
            history(document["history"]),
            "",
            plan(document["plan"]),
            "",
            wrap(f"Everything is in {folder}: logs, site.toml, brief.toml, history, plan.json."),
            f"To look at:  {document['report']}",
            f"To print:    {document['sheets'][0]}",
            f"Plan again: {again}",
        ]
    )
