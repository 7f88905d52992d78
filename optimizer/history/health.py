"""Records of the results of verifying and restoring a history."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Damage:
    """A file that differs from what the log states.

    Attributes:
        file: path of the data file or commit, inside the history.
        line: line whose runs the file holds; None for a commit.
        runs: number of runs in the file, as the log states it; None when it is not known.
        reason: what is wrong with the file.
    """

    file: str
    line: str | None
    runs: int | None
    reason: str


@dataclass(frozen=True)
class Health:
    """The result of ``verify``.

    Attributes:
        version: the version that was verified; None when the log cannot be read or there is no
            history.
        files, runs: number of sound files and number of runs in them.
        damaged: the files that are not sound.
        doubled: number of runs that occur more than once.
        odd_ids: number of runs whose id looks like a hash of their content but differs from it,
            without a correction on record.
        unhashed: number of sound files without a stored hash; for these files only sizes and
            ranges of values were compared.
        left_over: number of files that interrupted loads left behind; they do no harm.
        left_over_bytes: total size of the left-over files, in bytes.
        restorable: the latest version whose files are all sound, when the verified version is
            damaged; otherwise None.
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
    """An earlier version that was made the current one.

    Attributes:
        restored: number of the earlier version.
        version: number of the version after restoring.
    """

    restored: int
    version: int

    def as_dict(self) -> dict[str, object]:
        """The ``highside.restore/1`` document."""
        return {"schema": "highside.restore/1", **asdict(self)}
