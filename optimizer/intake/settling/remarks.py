"""Findings about a whole log: the notation of its columns, and warnings."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from optimizer.intake.checking.fields import Log
from optimizer.intake.settling.examine import Examined
from optimizer.intake.settling.load_report import FileTally
from optimizer.intake.stretches.division import GAP_MINUTES, looks_sampled

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from optimizer.history.changes import FormerRuns

RUNS_NAMED = 5


class LogRemarks:
    """Collects findings while one log is read.

    Args:
        log: properties of the log.
    """

    def __init__(self, log: Log) -> None:
        self.log = log
        self.proof: dict[int, int] = {}
        self.settled: Counter[int] = Counter()
        self.highest: dict[int, float] = {}
        self.headings: list[int] = []
        self.skipped: list[str] = []
        self.back: list[int] = []
        self.zone = log.site.time_zone.name
        self.of_sheet = 0
        self.unrun = 0
        self.sampled = self.dated = 0

    def add(self, found: Examined) -> None:
        """Add the findings of one chunk."""
        checked = found.checked
        for column, proof in checked.proof.items():
            self.proof[column] = self.proof.get(column, 0) | proof
        self.settled.update(checked.settled)
        for column, highest in checked.highest.items():
            self.highest[column] = max(self.highest.get(column, -1.0), highest)
        self.headings += found.chunk.headings
        self.skipped += checked.skipped
        self.zone = checked.zone.name
        self.of_sheet += checked.of_sheet
        self.back += checked.back.tolist()
        self.unrun += found.chunk.unrun
        inside, n = looks_sampled(checked.runs, self.log.units)
        self.sampled += inside
        self.dated += n

    def final(self) -> Log:
        """The properties of the log with what its columns prove, after all rows are read."""
        return replace(self.log, proof=self.proof)

    def warnings(self, tally: FileTally, samples: bool) -> list[str]:
        """Sentences about content that may not be what the user meant."""
        name, headings = self.log.name, self.log.binding.headings
        sentences = []
        if self.unrun:
            rows = "1 trial has" if self.unrun == 1 else f"{self.unrun} trials have"
            sentences.append(f"{name}: {rows} no result yet; fill in the sheet and record it again")
        elif tally.read == 0 and not tally.error:
            sentences.append(f"{name} has headings and no rows")
        if self.headings:
            rows = ", ".join(str(row) for row in sorted(self.headings)[:5])
            more = ", ..." if len(self.headings) > 5 else ""
            sentences.append(
                f"{name}: {len(self.headings)} rows repeat the headings and are not runs "
                f"(row {rows}{more})"
            )
        for column, highest in sorted(self.highest.items()):
            if 0 <= highest <= 1:
                sentences.append(
                    f"{name}: column '{headings[column]}' is headed in per cent and has no number "
                    f"above {highest:g}: if fractions are meant, write the heading without per cent"
                )
        for column, count in sorted(self.settled.items()):
            sentences.append(
                f"{name}: {count} cells of column '{headings[column]}' can be read in two ways "
                "and were read as other cells of the column are written"
            )
        if self.skipped:
            rows = "1 time was" if len(self.skipped) == 1 else f"{len(self.skipped)} times were"
            sentences.append(
                f"{name}: {rows} skipped by the clocks of {self.zone}, which were set forward over "
                f"'{self.skipped[0]}'; read with the offset before the change"
            )
        sentences += self._of_the_sheet()
        if not samples and 2 * self.sampled > self.dated:
            sentences.append(
                f"{name} looks like readings over time: most rows are within {GAP_MINUTES:g} "
                "minutes of another at the same settings; load it with --samples to make one run "
                "of each stretch"
            )
        return sentences

    def _of_the_sheet(self) -> list[str]:
        """Sentences about times of day that are read on the one date of their sheet."""
        if not self.of_sheet or not self.log.dated_by:
            return []
        name, day = self.log.name, self.log.sheet_date
        rows = "1 time of day is" if self.of_sheet == 1 else f"{self.of_sheet} times of day are"
        sentences = [f"{name}: {rows} read on {day}, the date {self.log.dated_by}"]
        if self.back:
            sentences.append(
                f"{name}: row {min(self.back)} is half a day or more before the row above it, and "
                f"is read on {day} too: if the sheet runs past midnight, add a column date"
            )
        return sentences


def remarks_on_former(name: str, former: FormerRuns, numbers: NDArray[np.int64]) -> list[str]:
    """Warnings about rows of a log that are what changed runs were; they are not added.

    Args:
        name: name of the log.
        former: the former values of the changed runs.
        numbers: number in ``former`` of each such row.
    """
    ids = former.runs.column("run_id").to_pylist()
    sentences = []
    for withdrawn in (True, False):
        found = [ids[k] for k in numbers.tolist() if former.withdrawn[k] == withdrawn]
        if not found:
            continue
        rows = "1 row" if len(found) == 1 else f"{len(found)} rows"
        listed = ", ".join(f"'{run_id}'" for run_id in found[:RUNS_NAMED])
        listed += ", ..." if len(found) > RUNS_NAMED else ""
        sentences.append(
            f"{name} has {rows} of runs that were withdrawn, which stay out: {listed}; "
            "'highside withdraw RUN_ID --undo' takes a run back"
            if withdrawn
            else f"{name} has {rows} with what runs held before they were corrected, which stay "
            f"as corrected: {listed}"
        )
    return sentences
