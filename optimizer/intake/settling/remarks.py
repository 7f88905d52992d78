"""Findings about a whole log: the notation of its columns, and warnings."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from optimizer.intake.checking.fields import Log
from optimizer.intake.settling.examine import Examined
from optimizer.intake.settling.load_report import FileTally
from optimizer.intake.settling.steady import GAP_MINUTES, looks_sampled


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
        self.unrun += found.chunk.unrun
        inside, n = looks_sampled(checked.runs, self.log.site.space.names)
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
        if not samples and 2 * self.sampled > self.dated:
            sentences.append(
                f"{name} looks like readings over time: most rows are within {GAP_MINUTES:g} "
                "minutes of another at the same settings; load it with --samples to make one run "
                "of each stretch"
            )
        return sentences
