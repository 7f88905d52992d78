"""The chain of an audit trail: each line depends on all before it, so that no edit goes unseen.

A trail is a file with one JSON object on each line. The chain's head after a line is the SHA-256 of
the head before it and the line's bytes; a line carries the head before itself (``chain``) and its
number (``n``). The head of the latest line is kept in a second file with the count, so that a trail
that lost its end is noticed. Lines of versions of highside that had no chain may stand before its
first line, which covers them.

Who may write both files can write a new trail; to notice that, keep a copy of the count elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from optimizer.errors import HistoryError, reason_of
from optimizer.text.visible_text import json_line

TRAIL, COUNT = "audit.jsonl", "audit.count"
"""Names of the two files in the folder of a service."""
START = hashlib.sha256(b"").hexdigest()
"""Head of a trail without lines."""
BROKEN = "chain-broken"
"""What an entry did that notes that the chain was broken when the service went on with it."""
_COUNT = re.compile(rb"(\d{12}) (\d{15}) ([0-9a-f]{64})\n")


@dataclass(frozen=True)
class Head:
    """The end of a trail.

    Attributes:
        lines: number of its lines.
        size: their size in bytes.
        digest: head of the chain.
    """

    lines: int = 0
    size: int = 0
    digest: str = START

    def after(self, line: bytes) -> Head:
        """The end of the trail after one more line, without its line end."""
        digest = hashlib.sha256(self.digest.encode() + line).hexdigest()
        return Head(self.lines + 1, self.size + len(line) + 1, digest)

    def as_count(self) -> bytes:
        """The content of the file with the count: always as long, so that it is one write."""
        return b"%012d %015d %s\n" % (self.lines, self.size, self.digest.encode())


def count_of(content: bytes) -> Head | None:
    """The end of a trail that a file with the count states; None where it states none."""
    found = _COUNT.fullmatch(content)
    return found and Head(int(found[1]), int(found[2]), found[3].decode())


def chained(entry: dict[str, Any], head: Head) -> bytes:
    """The line of an entry, with its place in the chain, without its line end."""
    return json_line({**entry, "n": head.lines + 1, "chain": head.digest}).encode()


@dataclass(frozen=True)
class Break:
    """A place at which a trail is not as it was written.

    Attributes:
        line: number of the line, counted from 1; None where a file as a whole is meant.
        reason: what is wrong.
    """

    line: int | None
    reason: str


@dataclass(frozen=True)
class TrailHealth:
    """The result of ``verify_audit``.

    Attributes:
        file: path of the trail.
        lines: number of its lines.
        unchained: number of lines before the chain begins: those of earlier versions.
        unfinished: whether the last line lacks its end, as after a power cut; nobody was told that
            it was noted.
        breaks: where the trail is not as it was written.
    """

    file: str
    lines: int = 0
    unchained: int = 0
    unfinished: bool = False
    breaks: tuple[Break, ...] = ()

    @property
    def sound(self) -> bool:
        """Whether the trail is as it was written."""
        return not self.breaks

    def as_dict(self) -> dict[str, Any]:
        """The trail as a member of a ``highside.verify/1`` document."""
        return {**asdict(self), "sound": self.sound}


def verify_audit(folder: str | Path) -> TrailHealth | None:
    """Compare the audit trail of a service with its chain and its count.

    Args:
        folder: folder of the service, which holds the trail.

    Returns:
        What was found; None where the folder holds neither trail nor count.

    Raises:
        HistoryError: when a file cannot be read.
    """
    trail = Path(folder) / TRAIL
    # The count is read first: lines that are added meanwhile are then beyond it, not missing.
    count, content = _bytes_of(trail.with_name(COUNT)), _bytes_of(trail)
    if count is None and content is None:
        return None
    *lines, rest = (content or b"").split(b"\n")
    breaks, unchained, heads = _followed(lines)
    if content is None:
        breaks = [Break(None, f"{TRAIL} is missing")]
    elif count is not None:
        breaks += _against_count(count_of(count), heads)
    elif unchained < len(lines):
        breaks.append(Break(None, f"{COUNT} is missing"))
    return TrailHealth(str(trail), len(lines), unchained, bool(rest), tuple(breaks))


def _followed(lines: Iterable[bytes]) -> tuple[list[Break], int, list[Head]]:
    """The breaks of a chain, the number of lines before it, and its heads, from the start on."""
    breaks: list[Break] = []
    head, unchained, heads = Head(), 0, [Head()]
    for number, line in enumerate(lines, 1):
        place = place_of(line)
        if place is not None:
            breaks += _misplaced(place, head, number)
            # What follows is compared with what this line states, so that one edit is one break.
            head = Head(place["n"] - 1, head.size, place["chain"])
        elif unchained == number - 1:
            unchained = number
        else:
            reason = "it carries no hash: an earlier version of highside wrote it, or somebody else"
            breaks.append(Break(number, reason))
        head = head.after(line)
        heads.append(head)
    return breaks, unchained, heads


def _misplaced(place: dict[str, Any], head: Head, number: int) -> Iterator[Break]:
    """What is wrong with the place of one line in the chain."""
    if place["n"] > head.lines + 1:
        missing = place["n"] - head.lines - 1
        yield Break(number, f"{missing} lines before it are missing")
    elif place["n"] <= head.lines:
        yield Break(number, "it stands at another place than where it was written")
    elif place["chain"] != head.digest:
        yield Break(number, "the lines before it are not those after which it was written")
    elif place["did"] == BROKEN:
        yield Break(number, "the service found the trail changed, and went on after it")


def _against_count(stated: Head | None, heads: list[Head]) -> Iterator[Break]:
    """What is wrong with the end of a trail.

    Lines beyond the count are as they should be where the chain holds: the service was killed
    between a line and its count, or it adds lines at this moment.
    """
    if stated is None:
        yield Break(None, f"{COUNT} is not what was written")
        return
    last = heads[-1].lines
    if stated.lines > last:
        yield Break(None, f"the last {stated.lines - last} lines are missing")
    elif stated not in heads:
        yield Break(None, f"line {stated.lines} is not the one that was counted")


def place_of(line: bytes) -> dict[str, Any] | None:
    """The place in the chain that a line states, with what its entry did; None for a line without
    one."""
    try:
        found = json.loads(line)
        place = {"n": found["n"], "chain": found["chain"], "did": found.get("did")}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    plain = type(place["n"]) is int and isinstance(place["chain"], str)
    return place if plain else None


def _bytes_of(path: Path) -> bytes | None:
    """The content of a file; None where there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise HistoryError(
            f"'{path}' cannot be read: {reason_of(error)}.",
            code="unreadable-audit",
            hint="Check its permissions; it belongs to the user who runs the service.",
        ) from None
