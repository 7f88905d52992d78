"""What each line was last planned with, kept so that everybody finds it filled in the next time."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from optimizer.files import write_whole


@dataclass(frozen=True)
class LastBrief:
    """The brief that a line was last planned with.

    Attributes:
        fields: the fields of the form as they were typed, by name.
        at: when; None where the line was never planned.
        by: name of the person's token; empty for nobody in particular.
    """

    fields: Mapping[str, str] = field(default_factory=dict)
    at: datetime | None = None
    by: str = ""


class LastBriefs:
    """The briefs that lines were last planned with, one file of JSON for each line.

    Several processes may write; the last one counts.

    Args:
        folder: folder of the files; it is made when the first one is written.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def of(self, line: str) -> LastBrief:
        """The last brief of a line; an empty one where there is none that can be read."""
        try:
            kept = json.loads(self._file(line).read_bytes())
            fields = {str(name): str(text) for name, text in kept["fields"].items()}
            return LastBrief(fields, datetime.fromisoformat(kept["at"]), str(kept["by"]))
        except (OSError, ValueError, LookupError, TypeError, AttributeError):
            return LastBrief()  # it only saves typing, so a damaged file is no reason to fail

    def keep(self, line: str, fields: Mapping[str, str], by: str = "") -> None:
        """Keep the brief of a line, and return when it is on the disk.

        Raises:
            HistoryError: when the file cannot be written.
        """
        at = datetime.now(UTC).isoformat(timespec="seconds")
        kept = {"line": line, "at": at, "by": by, "fields": dict(fields)}
        write_whole(self._file(line), json.dumps(kept, indent=1).encode(), own=True)

    def _file(self, line: str) -> Path:
        """A name of a line may hold what the name of a file may not, so the file has a digest."""
        digest = hashlib.sha256(line.encode("utf-8", "surrogatepass")).hexdigest()
        return self._folder / f"{digest[:32]}.json"
