"""What verifying and restoring a history found, as records."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Damage:
    """A file that differs from what the log states.

    Attributes:
        file: data file, or commit of the log, inside the history.
        line: of its runs; None for a commit.
        runs: their number by the log; None when it is not known.
        reason: what is wrong.
    """

    file: str
    line: str | None
    runs: int | None
    reason: str


@dataclass(frozen=True)
class Health:
    """What ``verify`` found.

    Attributes:
        version: that was verified; None when the log cannot be read, or there is no history.
        files, runs: numbers of sound files, and of their runs.
        damaged: the other files.
        doubled: number of runs that occur more than once.
        odd_ids: number of runs whose id has the form of a content id but is not theirs.
        unhashed: number of sound files without a kept hash; only sizes and ranges were compared.
        left_over: number of files that interrupted loads left; they do no harm.
        left_over_bytes: their total size.
        restorable: the latest version with sound files only, when this one is damaged.
    """

    version: int | None
    files: int = 0
    runs: int = 0
    damaged: tuple[Damage, ...] = ()
    doubled: int = 0
    odd_ids: int = 0
    unhashed: int = 0
    left_over: int = 0
    left_over_bytes: int = 0
    restorable: int | None = None

    @property
    def sound(self) -> bool:
        """Whether every run can be read and occurs once."""
        return not self.damaged and not self.doubled

    def as_dict(self) -> dict[str, object]:
        """The ``highside.verify/1`` document."""
        return {"schema": "highside.verify/1", **asdict(self), "sound": self.sound}


@dataclass(frozen=True)
class Restored:
    """A version that was made the current one.

    Attributes:
        restored: its number.
        version: number of the commit that restored it.
    """

    restored: int
    version: int

    def as_dict(self) -> dict[str, object]:
        """The ``highside.restore/1`` document."""
        return {"schema": "highside.restore/1", **asdict(self)}
