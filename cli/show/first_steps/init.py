"""A site file that was written, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def init(document: Mapping[str, Any]) -> str:
    """What a site file says, and what is still to be told."""
    lines = [f"Wrote {document['file']}."]
    if "settings" not in document:
        return f"{lines[0]} Edit the ranges and steps, then: highside load LOG"
    for each in document["settings"]:
        unit = each["unit"]
        gates = f", {each['gates']} gates" if "gates" in each else ""
        name = each["name"].replace("_", " ")
        lines.append(
            f"  {name}: {each['low']:g} to {each['high']:g} {unit}, step {each['step']:g}{gates}"
        )
    for each in document["material"]:
        unit = f" {each['unit']}" if each["unit"] else ""
        lines.append(f"  material {each['name']}: {each['low']:g} to {each['high']:g}{unit}")
    for heading, field in document["columns"].items():
        lines.append(f"  '{heading}' is {field}")
    for heading, some in document["unread"].items():
        lines.append(f"  '{heading}' is not read ({some})")
    if "loads" in document:
        loads = document["loads"]
        lines.append(
            f"With it, {loads['added']} of {loads['read']} rows of the logs are runs, and "
            f"{loads['rejected']} are rejected."
        )
        lines += [f"  - {reason}" for reason in loads["reasons"]]
    if document["open"]:
        lines += ["", "Please tell, in the file or with --ask:"]
        lines += [f"  ? {each['about']}: {each['question']}" for each in document["open"]]
    lines += ["", "Check the ranges and steps, then: highside load LOG"]
    return "\n".join(lines)
