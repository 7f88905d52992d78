"""What verifying and restoring a history found, as records."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Damage:
    """A file that is not what the log says.

    Attributes:
        file: data file, or commit of the log, inside the history.
        line: whose runs it holds; None for a commit.
        runs: how many, by the log; None when that is not known.
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
        version: that was looked at; None when the log cannot be read, or there is no history.
        files, runs: that are sound.
        damaged: files that are not.
        doubled: runs that are there more than once.
        odd_ids: runs whose id looks made of their content and is not.
        unhashed: sound files of which no hash is kept: only sizes and sums were compared.
        left_over: files of loads that were cut short; they do no harm.
        left_over_bytes: their size.
        restorable: the latest version all of which is sound, when this one is not.
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
        """Whether every run is there, readable and once."""
        return not self.damaged and not self.doubled

    def as_dict(self) -> dict[str, object]:
        """The ``highside.verify/1`` document."""
        return {"schema": "highside.verify/1", **asdict(self), "sound": self.sound}


@dataclass(frozen=True)
class Restored:
    """Which version was made the current one, and the number that it has now."""

    restored: int
    version: int

    def as_dict(self) -> dict[str, object]:
        """The ``highside.restore/1`` document."""
        return {"schema": "highside.restore/1", **asdict(self)}
