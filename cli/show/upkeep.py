"""What verifying and restoring a history found, as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, wrap

DAMAGE_SHOWN = 10


def verified(document: Mapping[str, Any]) -> str:
    """A ``highside.verify/1`` document."""
    version, damaged = document["version"], document["damaged"]
    if version is None and not damaged:
        return "The history is empty."
    if document["sound"]:
        head = f"Sound: {document['runs']} runs in {document['files']} files, version {version}."
    else:
        head = "Damaged."
    lines = [bold(head)]
    for damage in damaged[:DAMAGE_SHOWN]:
        whose = "" if damage["line"] is None else f" ({damage['runs']} runs of {damage['line']})"
        lines.append(wrap(f"{damage['file']}{whose}: {damage['reason']}."))
    if len(damaged) > DAMAGE_SHOWN:
        lines.append(f"... and {len(damaged) - DAMAGE_SHOWN} more; --json names them all.")
    lines += map(wrap, _advice(document))
    return "\n".join(lines)


def _advice(document: Mapping[str, Any]) -> list[str]:
    advice = []
    back = document["restorable"]
    if document["damaged"] and back is not None and back == document["version"]:
        advice.append(
            f"No run is lost: 'highside history --restore {back}' puts aside what is damaged, and "
            "nothing has to be loaded again."
        )
    elif document["damaged"] and back is not None:
        advice.append(
            f"Version {back} is sound: 'highside history --restore {back}' goes back to it; then "
            "load the logs since that version again. What is there already is not added twice."
        )
    elif document["damaged"]:
        advice.append(
            "No version is sound. Lines without damage can be saved with 'highside history "
            "--line NAME --export FILE'; load that file, and the logs of the others, into a new "
            "history."
        )
    if document["doubled"]:
        advice.append(
            f"{document['doubled']} runs are there twice. Save all with 'highside history "
            "--export FILE' and load that file into a new history: it takes each once."
        )
    if document["unhashed"]:
        advice.append(
            f"{document['unhashed']} files were written before their hashes were kept, by another "
            "program, or by a load that was cut short: they can only be checked for their size "
            "and sums."
        )
    if document["odd_ids"]:
        advice.append(
            f"{document['odd_ids']} runs have an id that looks made of their content and does "
            "not agree with it: ids of another system, or changed bits."
        )
    if document["left_over"]:
        size = document["left_over_bytes"] / 1e6
        advice.append(
            f"{document['left_over']} files ({size:.1f} MB) were left by loads that were cut "
            "short. They belong to no version and do no harm."
        )
    return advice


def restored(document: Mapping[str, Any]) -> str:
    """A ``highside.restore/1`` document."""
    return wrap(
        f"The runs are those of version {document['restored']} again, now version "
        f"{document['version']}. Load the logs since then again to add what they had."
    )
