"""Notices runs that a corrected log without run ids would store a second time.

A row without a run id is known by its content. Where its grade was corrected in the log, it is
another run to the history, and the former one stays. Such a row has the line, start and settings of
a run that the history has and the logs no longer have. It is added, since two runs may well agree
in these; a warning names the former runs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from optimizer.history.identity import ADDED, Fingerprints, Identified

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Keys = NDArray[np.uint64]

RUNS_NAMED = 5


class Doubles:
    """The occasions of the rows of a load, by which it may store runs twice."""

    def __init__(self) -> None:
        self._new: dict[str, list[Keys]] = defaultdict(list)
        self._met: list[Keys] = []

    def add(self, file: str, found: Identified, verdict: NDArray[np.int8]) -> None:
        """Takes the rows of a log with their verdicts."""
        new = found.derived & (verdict == ADDED) & (found.occasions != 0)
        if new.any():
            self._new[file].append(found.occasions[new])
        self._met.append(found.occasions[verdict != ADDED])

    def suspected(self, known: Sequence[Keys]) -> dict[str, Keys]:
        """Occasions of new rows, by log, at which the history has more runs than the logs.

        Args:
            known: occasions of the runs of the history.
        """
        if not self._new or not known:
            return {}
        new = np.unique(np.concatenate([part for parts in self._new.values() for part in parts]))
        there, met = (_counts(new, parts) for parts in (known, self._met))
        more = new[there > met]
        each = {file: np.concatenate(parts) for file, parts in self._new.items()}
        found = {file: keys[np.isin(keys, more)] for file, keys in each.items()}
        return {file: keys for file, keys in found.items() if len(keys)}


def _counts(wanted: Keys, parts: Iterable[Keys]) -> NDArray[np.int64]:
    """How often each of some sorted keys occurs, shape (len(wanted),)."""
    counts = np.zeros(len(wanted), np.int64)
    for keys in parts:
        at = np.minimum(np.searchsorted(wanted, keys), len(wanted) - 1)
        np.add.at(counts, at[wanted[at] == keys], 1)
    return counts


def doubles_named(
    suspected: dict[str, Keys],
    stored: Iterable[pa.RecordBatch],
    settings: Sequence[str],
    material: Sequence[str],
) -> list[str]:
    """One warning for each log with suspected rows, which names the runs of the history.

    Args:
        suspected: occasions of the suspected rows, by log.
        stored: the runs of the history.
        settings, material: names of settings and of material variables.
    """
    if not suspected:
        return []
    ids: dict[int, list[str]] = defaultdict(list)
    wanted = np.unique(np.concatenate(list(suspected.values())))
    for batch in stored:
        occasions = Fingerprints(batch, settings, material).occasions
        here = np.flatnonzero(np.isin(occasions, wanted))
        names = batch.column("run_id").take(pa.array(here)).to_pylist()
        for occasion, name in zip(occasions[here].tolist(), names, strict=True):
            ids[occasion].append(name)
    sentences = []
    for file, keys in suspected.items():
        known = [name for key in dict.fromkeys(keys.tolist()) for name in ids[key]]
        listed = ", ".join(f"'{name}'" for name in known[:RUNS_NAMED])
        listed += ", ..." if len(known) > RUNS_NAMED else ""
        rows = "1 added row" if len(keys) == 1 else f"{len(keys)} added rows"
        have = "has" if len(keys) == 1 else "have"
        sentences.append(
            f"{file} has {rows} without a run id that {have} line, start and settings of runs with "
            f"other results, which the logs no longer have: {listed}; if the log was corrected, "
            "take the former runs out with 'highside withdraw RUN_ID --reason TEXT'"
        )
    return sentences
