"""The options of a load."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.errors import InputError


@dataclass(frozen=True)
class LoadOptions:
    """Options of a load, which hold for all its logs.

    Args:
        line: line of the rows that name none.
        mapping: mapping from heading to ``field``, ``field [unit]`` or ``ignore``.
        dry_run: whether the load only reports what would happen and writes nothing.
        samples: whether rows are readings over time, of which several make a run.
        trials: whether the log is a trial sheet, in which a row without any result is a trial
            that was not run yet.

    Raises:
        InputError: when the line has a blank name.
    """

    line: str | None = None
    mapping: Mapping[str, str] | None = None
    dry_run: bool = False
    samples: bool = False
    trials: bool = False

    def __post_init__(self) -> None:
        if self.line is not None:
            if not self.line.strip():
                raise InputError("the line must have a name.", hint="Give it with --line NAME.")
            object.__setattr__(self, "line", self.line.strip())


DEFAULTS = LoadOptions()
"""Options for a log of runs, with no line, mapping or special reading."""
