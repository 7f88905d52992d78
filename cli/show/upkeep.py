"""Writes the results of verifying and restoring a history as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, wrap
from optimizer.text.visible_text import printable

DAMAGE_SHOWN = 10


def verified(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.verify/1`` document."""
    version, damaged = document["version"], document["damaged"]
    trail = _trail(document.get("audit"))
    if version is None and not damaged:
        return "\n".join(["The history is empty.", *trail])
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
    lines += trail
    return "\n".join(lines)


def _trail(audit: Mapping[str, Any] | None) -> list[str]:
    """Lines that say whether the audit trail is as it was written; none without one."""
    if audit is None:
        return []
    if audit["sound"]:
        lines = [wrap(f"Audit trail as it was written: {audit['lines']} lines in {audit['file']}.")]
    else:
        lines = [bold(wrap(f"The audit trail {audit['file']} was changed."))]
    for found in audit["breaks"][:DAMAGE_SHOWN]:
        where = "" if found["line"] is None else f"Line {found['line']}: "
        lines.append(wrap(f"{where}{found['reason']}."))
    if len(audit["breaks"]) > DAMAGE_SHOWN:
        lines.append(f"... and {len(audit['breaks']) - DAMAGE_SHOWN} more; --json names them all.")
    if audit["unchained"]:
        lines.append(
            wrap(
                f"Its first {audit['unchained']} lines are of an earlier version and were not "
                "protected while they stood at its end."
            )
        )
    if audit["unfinished"]:
        lines.append("Its last line lacks its end, as after a power cut; the next entry says so.")
    return lines


def backed_up(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.backup/1`` document."""
    copied, known, size = document["copied"], document["known"], document["bytes"]
    told = f"Copied {copied} files to '{printable(document['history'])}' and beside it"
    told += f"; {known} were there already. Together {size / 2**20:,.1f} MiB."
    return "\n".join([wrap(told), verified(document["verified"])])


def _advice(document: Mapping[str, Any]) -> list[str]:
    """Sentences that say what the findings mean and what to do about them."""
    advice = []
    back = document["restorable"]
    if document["damaged"] and back is not None and back == document["version"]:
        advice.append(
            f"No run is lost: 'highside history --restore {back}' sets the damaged files aside, "
            "and nothing has to be loaded again."
        )
    elif document["damaged"] and back is not None:
        advice.append(
            f"Version {back} is sound: 'highside history --restore {back}' goes back to it. Then "
            "load the logs since that version again. Runs that are there already are not added "
            "twice."
        )
    elif document["damaged"]:
        advice.append(
            "No version is sound. Lines without damage can be saved with 'highside history "
            "--line NAME --export FILE'; load that file, and the logs of the other lines, into a "
            "new history."
        )
    if document["doubled"]:
        advice.append(
            f"{document['doubled']} runs are there twice. Save all runs with 'highside history "
            "--export FILE' and load that file into a new history, which adds each run once."
        )
    if document["unhashed"]:
        advice.append(
            f"{document['unhashed']} files have no stored hash: they were written by an earlier "
            "version, by another program, or by a load that was interrupted. Only their sizes and "
            "ranges of values can be checked."
        )
    if document["odd_ids"]:
        advice.append(
            f"{document['odd_ids']} runs have an id that looks like a hash of their content but "
            "does not agree with it: either another system made the ids, or bits have changed."
        )
    if document["left_over"]:
        size = document["left_over_bytes"] / 1e6
        advice.append(
            f"{document['left_over']} files ({size:.1f} MB) were left by interrupted loads. They "
            "belong to no version and do no harm."
        )
    return advice


def restored(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.restore/1`` document."""
    return wrap(
        f"The runs are those of version {document['restored']} again, now as version "
        f"{document['version']}. To add the later runs, load their logs again."
    )
