"""How many trials a method needs on decks whose laws share nothing with the model's beliefs.

    python -m tests.benchmarks.other_laws --first 1000
    python -m tests.benchmarks.other_laws --judge --methods ours botorch botorch-all

The same closed loop as the trials benchmark. On the families for development in
``trials.other_laws``: *ridge* has grade and recovery along a diagonal of settings that the model
does not pair; *cliff* is a plateau with a steep edge in a random direction; on *idle* one setting
does nothing and another acts against the usual direction. On the families for judging alone in
``trials.judge_laws``, which a run with ``--judge`` has too: *terraces* are levels chosen by which
of two settings is the larger; *kinetics* has doses that saturate and multiply; a *valley* is curved
for the grade and has its best recovery elsewhere; *hills* are two good regions of unequal height
with a setting that acts periodically. None has a bed, an exposure, a partition curve of density or
a logistic response. Gaps are those of the trials benchmark, of what a method would run now. The
grade is met where the true grade of those settings reaches the grade asked for.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from tests.benchmarks.trials import report
from tests.benchmarks.trials.campaigns import MARKS, Kept, campaign, each, identity, keys_of
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import JUDGE_FROM
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.methods import METHODS
from tests.benchmarks.trials.other_laws import OTHER_LAWS

TITLE = "Trials needed on decks of other laws"
DEVELOPED = (
    "This is a development measurement on few decks: medians and means move with the decks drawn, "
    "and no claim rests on them. The model believes in beds, exposures and logistic shares, and "
    "these decks have none, so our method is expected to be behind the others on them."
)
JUDGED = (
    "Nobody has developed or tuned anything on these decks. The model believes in beds, exposures "
    "and logistic shares, and these decks have none. Medians and means move with the decks drawn: "
    "the intervals say by how much."
)


def arguments(words: list[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = parser("other_laws", __doc__ or "", families=tuple(OTHER_LAWS), judged=tuple(JUDGE_LAWS))
    made.add_argument(
        "--methods", nargs="+", default=["ours", "random", "skopt"], choices=list(METHODS)
    )
    return made.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """Run what is not kept yet, deck by deck, then write the report."""
    asked = arguments(words)
    rows = each(campaign, keys_of(asked), Kept(asked.cache), identity, asked.workers)
    caution = JUDGED if asked.first >= JUDGE_FROM else DEVELOPED
    parts = [f"Methods: {', '.join(asked.methods)}.", caution, report.PRIOR_AND_METHOD]
    for demand in asked.demands:
        for kind in report.KINDS:
            title = "strict gap" if kind == "strict" else "gap in proportion"
            table = report.together(report.gather(rows, kind))
            parts += [
                f"## {demand.capitalize()} grade, {title}: median (mean)",
                report.worst(table, demand),
                report.beside(table, demand),
                "Against the best peer:",
                report.ratios(table, demand),
            ]
        parts += [f"## {demand.capitalize()} grade: decks where it is met", met(rows, demand)]
    parts += ["## Effort, one thread", report.effort(rows)]
    report_file(asked, "other_laws", TITLE, __doc__ or "", *parts)
    return 0


def met(rows: list[dict], demand: str) -> str:
    """Number of decks whose settings to run now meet the true grade, by family and method."""
    lines = [
        "| family | method | decks | " + " | ".join(f"{m} trials" for m in report.SHOWN) + " |",
        "|---|---|---|" + "---|" * len(report.SHOWN),
    ]
    columns = [MARKS.index(mark) for mark in report.SHOWN]
    found: dict[tuple[str, str], list[np.ndarray]] = {}
    for row in (r for r in rows if r["demand"] == demand):
        for name, strict in row["strict"].items():
            # A strict gap is the whole of the best where the grade is missed.
            reached = np.array(strict)[columns] < row["best"]
            for family in (row["family"], "all"):
                found.setdefault((family, name), []).append(reached)
    families = list(dict.fromkeys(family for family, _ in found if family != "all"))
    for family, name in sorted(found, key=lambda k: [*families, "all"].index(k[0])):
        reached = found[family, name]
        cells = [f"{n} of {len(reached)}" for n in np.sum(reached, axis=0)]
        lines.append(f"| {family} | {name} | {len(reached)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
